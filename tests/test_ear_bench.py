"""The bench of the ear: what it makes of sound, and what it makes of answers. Its figures are no tests."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal, stats

from handsfree import listening
from handsfree.core.events import OTHER_SPEECH, Breath, HeardWord
from handsfree.core.plan import Plan
from handsfree.places import shipped
from tests.bench.ear import cases, clips, listen, measures, peers, plans, rows, sounds, table
from tests.bench.ear.__main__ import _columns, heard_them, main
from tests.bench.ear.cases import Case, Piece, Said
from tests.bench.ear.clips import Clip
from tests.bench.ear.measures import Answer
from tests.bench.ear.rows import Heading, Row

RATE = sounds.RATE


def tone(hertz: float, seconds: float = 1.0, level: float = 0.1) -> sounds.Samples:
    return (level * np.sin(2 * np.pi * hertz * np.arange(round(seconds * RATE)) / RATE)).astype(np.float32)


def power_db(samples: sounds.Samples) -> float:
    return float(10 * np.log10(np.square(samples.astype(float)).mean() + 1e-12))


def word(text: str, start_s: float, confidence: float = 1.0) -> HeardWord:
    return HeardWord(text, start_s, start_s + 0.3, confidence)


def case(row: str, text: str, *says: str, detail: str = "", plan: str = "commands") -> Case:
    return Case(row, plan, (Piece(Clip(f"{row}/{text}.opus", text, "somebody"), says),), detail or text)


def answer(*words: HeardWord, said: tuple[Said, ...] = (), seconds: float = 2.0, known_s=(), speech=False) -> Answer:
    return Answer(seconds, said, words, known_s, speech)


# Sound


@pytest.mark.parametrize("snr_db", [20, 5, 0])
def test_noise_lies_as_far_below_the_speech_as_asked(snr_db):
    speech, noise = tone(500), sounds.chance("n").normal(0, 0.3, 3 * RATE).astype(np.float32)
    added = sounds.with_noise(speech, noise, snr_db, sounds.chance(1)) - speech
    assert power_db(speech) - power_db(added) == pytest.approx(snr_db, abs=0.5)


def test_a_telephone_keeps_its_band_and_nothing_else():
    # 300 to 3400 Hz, ITU-T G.712
    for hertz in (400, 1000, 3000):
        assert power_db(sounds.telephone(tone(hertz))) == pytest.approx(power_db(tone(hertz)), abs=0.5)
    for hertz in (100, 4500, 7000):
        assert power_db(sounds.telephone(tone(hertz))) < power_db(tone(hertz)) - 30


def test_the_direct_sound_falls_by_6_db_when_the_distance_doubles():
    click = np.zeros(RATE, np.float32)
    click[0] = 1.0
    near, far = (sounds.far(click, metres, sounds.chance("room")) for metres in (1.0, 2.0))
    assert near[0] / far[0] == pytest.approx(2.0, rel=1e-3)
    assert power_db(near[1:]) == pytest.approx(power_db(far[1:]), abs=0.01)  # reverberation is alike everywhere


def test_the_reverberation_dies_away_by_60_db_in_half_a_second():
    click = np.zeros(RATE, np.float32)
    click[0] = 1.0
    tail = sounds.far(click, 3.0, sounds.chance("room"))[: RATE // 2]
    early, late = power_db(tail[800:1600]), power_db(tail[-1600:-800])
    assert early - late == pytest.approx(60 * (len(tail) - 2400) / (RATE // 2), abs=4)


@pytest.mark.parametrize("hertz", [90, 140, 210, 330])
def test_the_pitch_of_a_voice_is_that_of_its_periods(hertz):
    # a sawtooth has all harmonics, as the larynx has; the second one made the loudest, as a vowel may
    saw = signal.sawtooth(2 * np.pi * hertz * np.arange(RATE) / RATE) + 2 * tone(2 * hertz, level=1)
    voiced = np.concatenate([np.zeros(RATE // 4), 0.1 * saw, np.zeros(RATE // 4)]) + sounds.faint(1.5, sounds.chance(1))
    assert sounds.pitch_hz(voiced.astype(np.float32)) == pytest.approx(hertz, rel=0.02)


def test_a_hiss_has_no_pitch():
    assert sounds.pitch_hz(sounds.faint(1.0, sounds.chance(2))) is None
    assert sounds.pitch_hz(sounds.faint(0.01, sounds.chance(2))) is None


def test_talk_is_cut_at_its_pauses():
    pause = sounds.faint(0.3, sounds.chance("p"))
    parts = sounds.breaths(
        np.concatenate([tone(300), pause, tone(500), sounds.faint(0.1, sounds.chance(0)), tone(700)])
    )
    assert [len(part) / RATE for part in parts] == pytest.approx([1.15, 2.25], abs=0.05)


def test_a_pair_lies_where_the_truth_says(tmp_path):
    made = []
    for text, hertz in (("go", 400), ("yes", 900)):
        quiet = sounds.faint(0.3, sounds.chance(text))
        soundfile.write(
            tmp_path / f"{text}.wav", np.concatenate([quiet, tone(hertz, 0.4), quiet]), RATE, subtype="FLOAT"
        )
        made.append(Clip(str(tmp_path / f"{text}.wav"), text, "tones"))
    pair = cases._beside("beside, people", "commands", *made, gap_s=0.2)
    sound, said = cases.render(pair)
    assert [one.text for one in said] == ["go", "yes"]
    spans = [one.span_s for one in said]
    assert spans[1][0] - spans[0][1] == pytest.approx(0.2, abs=0.001)
    for start_s, end_s in spans:
        level = sounds.levels_db(sound)
        inside = level[round(100 * start_s) + 3 : round(100 * end_s) - 3]
        assert inside.min() > -35 > level[round(100 * end_s) + 4]
    again, _ = cases.render(pair)
    assert np.array_equal(sound, again)


# What was said


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("leave it there", ("leave it",)),
        ("poppy sit", ("poppy", "sit")),
        ("she said yes yes", ("yes", "yes")),
        ("downstairs", ()),
    ],
)
def test_phrases_are_found_in_a_text_as_whole_words(text, found):
    assert plans.parse(text, plans.phrases("trade")) == found


def test_what_counts_holds_instructions_but_neither_praise_nor_names():
    counting = plans.counting("trade")
    assert {"yes", "sit", "free", "growling", "notebook end the session"} <= set(counting)
    assert not {"good", "nice", "poppy", "puppy"} & set(counting)


def test_the_plan_of_the_commands_has_fifteen_words_and_a_name():
    assert len(plans.phrases("commands")) == 16
    assert set(plans.COMMANDS) <= set(plans.phrases("commands"))


# Measures


def test_one_word_is_heard_or_another_or_both():
    go = case("words", "go", "go")
    assert measures.heard(go, answer(word("go", 1)))
    assert not measures.another(go, answer(word("go", 1)), plans.COMMANDS)
    assert not measures.heard(go, answer(word("no", 1)))
    assert measures.another(go, answer(word("no", 1)), plans.COMMANDS)
    assert measures.another(go, answer(word("go", 1), word("go", 2)), plans.COMMANDS)  # once too often
    assert not measures.another(go, answer(word("poppy", 1)), plans.COMMANDS)  # a name counts for nothing


def test_a_word_in_a_sentence_passes_and_a_word_that_is_not_in_it_is_false():
    talk = case("talk", "we go up the hill")
    given = answer(word("up", 1), word("stop", 2), word("up", 3))
    assert measures.passed(talk, given, plans.COMMANDS) == ["up"]
    assert sorted(measures.false_words(talk, given, plans.COMMANDS)) == ["stop", "up"]  # "up" is said once


def test_words_are_matched_where_they_were_said():
    said = (Said("yes", (1.0, 1.3)), Said("yes", (1.6, 1.9)))
    assert measures.matched(answer(word("yes", 1.05), word("yes", 1.62), said=said), ["yes"]) == 2
    assert measures.matched(answer(word("yes", 1.05), said=said), ["yes"]) == 1
    assert measures.matched(answer(word("yes", 3.0), said=said), ["yes"]) == 0
    assert measures.matched(answer(word("yes", 1.0), word("yes", 1.6), said=said), ["no"]) == 0


def test_onset_error_and_delay_come_from_words_heard_once():
    said = (Said("go", (1.0, 1.4)),)
    once = answer(HeardWord("go", 1.05, 1.35), said=said, known_s=(1.8,))
    assert measures.onset_errors_s(once) == pytest.approx([0.05])
    assert measures.delays_s(once) == pytest.approx([0.4])
    assert measures.onset_errors_s(answer(word("go", 1), word("go", 2), said=said)) == []
    assert measures.onset_errors_s(answer(word("go", 1), said=(Said("go", None),))) == []


def test_percentiles_are_nearest_rank():
    values = list(range(1, 101))
    assert [measures.percentile(values, percent) for percent in (50, 95, 100)] == [50, 95, 100]
    assert measures.percentile([7.0], 50) == 7.0


def test_the_bound_after_no_event_is_that_of_poisson():
    # exact 95 % upper limit of a Poisson mean with 0 seen: half the chi-squared quantile with 2 degrees of freedom
    assert measures.bound_per_hour(0, 2.0) == pytest.approx(stats.chi2.ppf(0.95, 2) / 2 / 2.0, rel=0.002)
    assert measures.bound_per_hour(1, 2.0) is None


def test_twelve_classes():
    go, other, silence = case("words", "go", "go"), case("unknown word", "bird"), case("silence", "")
    assert measures.twelve_classes(go, answer(word("go", 1, 0.9), word("no", 2, 0.5)))
    assert not measures.twelve_classes(go, answer(word("go", 1, 0.5), word("no", 2, 0.9)))
    assert measures.twelve_classes(other, answer(speech=True))
    assert measures.twelve_classes(other, answer(word("sit", 1)))  # of the plan, but none of the ten
    assert not measures.twelve_classes(other, answer())
    assert measures.twelve_classes(silence, answer())


def test_reliability_puts_each_word_into_one_bin():
    pairs = [(0.2, False), (0.92, True), (0.93, False), (1.0, True), (0.99, True)]
    assert measures.reliability(pairs) == [
        (0.0, 0.5, 1, 0.2, 0.0),
        (0.9, 0.95, 2, pytest.approx(0.925), 0.5),
        (0.99, 1.0, 2, pytest.approx(0.995), 1.0),
    ]


# The table


def small_table() -> list[Row | Heading]:
    words = [case("words", f"{text}{i}", text, detail=text) for text in ("go", "no") for i in range(2)]
    talk = [case("talk", "nothing of the kind", detail="somebody")]
    right = {one.key: answer(word(one.said[0], 1)) for one in words}
    right[talk[0].key] = answer(seconds=1800 + sounds.BEFORE_S + sounds.AFTER_S)
    wrong = {one.key: answer(word("stop", 1)) for one in [*words, *talk]}
    return list(table.Table([*words, *talk], {"right": right, "wrong": wrong, "none": {}}).rows())


def test_the_table_gives_each_ear_its_figures():
    found = {row.what: row for row in small_table() if isinstance(row, Row)}
    assert found["word heard"].values == (100.0, 0.0, None)
    assert found["another word counts"].values == (0.0, 100.0, None)
    assert found["`go` heard"].of == "2"
    assert found["all, plan `commands`"].values == (0.0, pytest.approx(3600 / 0.7), None)
    assert found["all, plan `commands`"].bounds[0] == pytest.approx(6.0)
    assert "words: longest block" not in found  # not measured here
    assert "`yes` heard" not in found  # nobody says it here


def test_people_are_told_apart_by_how_high_they_speak(tmp_path):
    told = {}
    for i, hertz in enumerate((320, 100, 200)):
        for take in range(2):
            path = tmp_path / f"p{i}_{take}.wav"
            soundfile.write(path, 0.1 * signal.sawtooth(2 * np.pi * hertz * np.arange(RATE) / RATE), RATE)
            one = Case("words", "commands", (Piece(Clip(str(path), "go", f"p{i}"), ("go",)),), "go")
            told[one] = answer(word("go" if hertz == 200 or take else "no", 1))
    found = table.Table(list(told), {"x": {one.key: given for one, given in told.items()}}).rows()
    voices = {row.what: (row.of, *row.values) for row in found if "voices of" in row.what}
    assert voices == {
        "low voices of 1 people, 100 to 100 Hz: heard": ("2", 50.0),
        "low voices of 1 people, 100 to 100 Hz: another counts": ("2", 50.0),
        "middle voices of 1 people, 200 to 200 Hz: heard": ("2", 100.0),
        "middle voices of 1 people, 200 to 200 Hz: another counts": ("2", 0.0),
        "high voices of 1 people, 320 to 320 Hz: heard": ("2", 50.0),
        "high voices of 1 people, 320 to 320 Hz: another counts": ("2", 50.0),
    }


def test_a_goal_that_is_missed_is_said():
    lines = list(rows.markdown([Row("a", "9", (96.0,), at_least=97), Row("b", "9", (97.0,), at_least=97)], ["x"]))
    assert lines[2] == "| a | 9 | 96.0 % | >= 97 **missed** |"
    assert lines[3] == "| b | 9 | 97.0 % | >= 97 |"
    nothing_seen = Row("c", "2 h", (0.0,), "/h", bounds=(1.5,))
    assert list(rows.markdown([nothing_seen], ["x"]))[2] == "| c | 2 h | 0 (< 1.5) |  |"
    assert list(rows.markdown([Row("d", "", (0.41,), "s")], ["x", "y"]))[2] == "| d |  | 0.41 s | - |  |"


# Peers


def test_windows_of_one_word_count_once():
    given = [word("go", 0.0), word("go", 0.25), word("no", 0.5), word("go", 0.9)]
    assert [(one.text, one.start_s) for one in peers._apart(given)] == [("go", 0.0), ("no", 0.5), ("go", 0.9)]


def test_a_peer_is_tuned_on_recordings_that_did_not_teach_it():
    tuning = [case("words", f"go{i}", "go", detail="go") for i in range(40)] + [case("unknown word", "bird")]
    for i, one in enumerate(tuning):
        clip = one.pieces[0].clip
        object.__setattr__(clip, "speaker", f"speaker {i % 8}")
        clip.__dict__["span_s"] = (0.1, 0.5)
    taught = {path for paths in peers._takes(tuning).values() for path in paths}
    sample = peers._sample(tuning)
    assert len(taught) == peers.TAKES
    assert len(sample) == peers.TUNED_ON + 1
    assert not taught & {one.pieces[0].clip.path for one in sample}


def test_a_threshold_is_worth_its_hits_less_its_errors():
    sample = [case("words", "go", "go"), case("words", "no", "no"), case("unknown word", "bird")]
    silent = {one.key: answer() for one in sample}
    assert peers._worth(sample, silent) == 0
    assert peers._worth(sample, silent | {sample[0].key: answer(word("go", 1))}) == 50
    assert peers._worth(sample, {one.key: answer(word("go", 1)) for one in sample}) == 50 - 50 - 100


# From listening to judging


def heard(*words: HeardWord, at_s: float = 3.0) -> listen.Heard:
    return listen.Heard(4.0, 0.1, 0.02, [Said("go", (1.0, 1.3))], [listen.Report(at_s, Breath(words, 0.0))])


def test_what_counts_is_what_a_session_takes():
    vocabulary = plans.vocabulary("commands")
    alone = heard(word("go", 1.0))
    beside_talk = heard(word(OTHER_SPEECH, 0.7), word("go", 1.0))
    praise = heard(word("good", 1.0))
    assert [one.text for one in listen.counted(alone, vocabulary).words] == ["go"]
    assert listen.counted(alone, vocabulary).known_s == (3.0,)
    assert (listen.raw(alone).cpu_s, listen.raw(alone).slowest_block_s) == (0.1, 0.02)
    assert listen.counted(beside_talk, vocabulary).words == ()
    assert [one.text for one in listen.raw(beside_talk).words] == ["go"]
    assert [one.text for one in listen.counted(praise, vocabulary).words] == ["good"]
    assert listen.raw(heard(word(OTHER_SPEECH, 1.0))).other_speech


def test_raw_words_can_be_those_that_the_second_look_thinks_likely():
    one = heard(
        word("go", 1.0), replace(word("no", 1.5), shares={"no": 0.2}), replace(word("up", 2.0), shares={"up": 0.6})
    )
    said = {least: [w.text for w in listen.raw(one, least).words] for least in (0.0, 0.2, 0.5)}
    assert said == {0.0: ["go", "no", "up"], 0.2: ["no", "up"], 0.5: ["up"]}  # "go" was not looked at
    every = [case("words", "go", "go")]
    columns = _columns(every, {every[0].key: one}, [1.0], [0.5])
    assert list(columns) == ["counts", "at sensitivity 1", "raw", "raw, second look 0.5"]
    assert [len(answers[every[0].key].words) for answers in columns.values()][2:] == [3, 1]


def test_what_was_heard_can_be_kept_and_judged_again(tmp_path):
    one = case("words", "go", "go")
    kept = {one.key: heard(word("go", 1.0), word(OTHER_SPEECH, 2.0))}
    lines = [json.dumps(listen.as_row(one, heard)) for heard in kept.values()]
    (tmp_path / "heard.jsonl").write_text("\n".join(lines))
    assert listen.load(tmp_path / "heard.jsonl") == kept


@pytest.mark.ear
def test_a_model_laid_out_as_ours_is_heard_with(tmp_path, monkeypatch):
    """The whole way on recordings that the tests have: a word, by a model that is not in its usual place."""
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path / "home"))
    (tmp_path / "twin").symlink_to(shipped("models") / "en")
    ear = listening.open_ear(Plan("", ()), ("go",), tmp_path / "twin")
    assert ear.own
    assert ear.name == "twin"
    path = next((Path(__file__).parent / "data" / "clips").glob("go_*.opus"))
    one = Case("words", "commands", (Piece(Clip(str(path), "go", "e49428d9"), ("go",)),), "go")
    listen.start(tmp_path / "twin")
    key, result = listen.hear(one)
    assert key == one.key
    given = listen.counted(result, plans.vocabulary("commands"))
    assert measures.heard(one, given)
    assert not measures.another(one, given, plans.counting("commands"))
    assert abs(measures.onset_errors_s(given)[0]) < 0.15
    assert 0 < measures.delays_s(given)[0] < 1.0


def test_whether_a_model_knows_the_people_is_read_from_its_folder(tmp_path):
    assert heard_them(tmp_path) is None
    (tmp_path / "training.json").write_text(json.dumps({"heard_held_out": False}))
    assert heard_them(tmp_path) is False


def test_the_folder_of_recordings_must_be_named(tmp_path, monkeypatch):
    monkeypatch.delenv(clips.DATA_VARIABLE, raising=False)
    monkeypatch.setattr("sys.argv", ["ear"])
    with pytest.raises(SystemExit, match="^no recordings to hear: name their folder with --data or HANDSFREE_EAR"):
        main()
    monkeypatch.setenv(clips.DATA_VARIABLE, str(tmp_path / "usual"))
    assert clips.recordings(None) == tmp_path / "usual"
    assert clips.recordings(tmp_path / "another") == tmp_path / "another"


def test_without_recordings_it_says_which_are_missing(tmp_path):
    said: list[str] = []
    nothing = clips.collect(tmp_path, [], "test", said.append)
    assert cases.cases(nothing, False) == []
    assert sum(str(tmp_path) in line for line in said) == 3
    assert not any(vars(nothing).values())
