"""A new plan passes the check, explains itself, and never takes the place of another file."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
import tomlkit
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.cli import main
from handsfree.commands.plan import _prompts, plan
from handsfree.core.errors import UserError
from handsfree.core.plan import RESPONSE_WINDOW_S, KeepSound, Limits, Plan, Prompts, Sound, Tag, Words, spoken
from handsfree.edges import planfile
from handsfree.edges.planfile import Answers, Wanted, writer
from handsfree.edges.planfile.questions import read_behaviour, read_name, read_phrase
from handsfree.listening import pronouncer

FOUR = (
    Wanted("sit", ("sit", "sit down")),
    Wanted("stay", ("stay",), Tag.DURATION),
    Wanted("nails", ("paws",), Tag.HANDLING),
    Wanted("food dish", ("food dish",), Tag.GUARDING),
)
TARN = Answers("Tarn", FOUR, "Mara")


def new(path: Path, answers: Answers = TARN) -> list[planfile.Fault]:
    return planfile.new(path, answers, pronouncer, _prompts)


def run(*args: str | Path) -> int:
    """Exit code of the command line."""
    with pytest.raises(SystemExit) as left:
        main([str(arg) for arg in args])
    return int(left.value.code or 0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "tarn.toml"


def test_a_new_plan_passes_the_check_without_a_warning(path: Path) -> None:
    assert new(path) == []
    assert planfile.check(path, pronouncer, _prompts) == []


def test_a_new_plan_holds_the_answers_and_else_the_defaults(path: Path) -> None:
    new(path)
    made = planfile.load(path)
    assert (made.dog, made.handler, made.place) == ("Tarn", "Mara", "")
    assert made.words == Words(names=("tarn",))
    assert made.limits == Limits()
    assert made.prompts == Prompts()
    assert [(b.name, b.cues, b.tag) for b in made.behaviours] == [(w.name, w.cues, w.tag) for w in FOUR]
    assert [b.response_window_s for b in made.behaviours] == [RESPONSE_WINDOW_S[w.tag] for w in FOUR]
    assert made.pronunciations == {"tarn": ("T AA R N",)}  # in no dictionary: written down as guessed


def test_the_guess_written_down_is_the_sound_that_would_have_been_taken(path: Path) -> None:
    new(path)
    guessed = pronouncer(Plan(dog="Tarn", behaviours=())).phrase("tarn")
    written = pronouncer(planfile.load(path)).phrase("tarn")
    assert (guessed.source, written.source) == ("letters", "plan")
    assert guessed.phones == written.phones


def test_every_section_is_explained(path: Path) -> None:
    new(path)
    text = path.read_text("utf-8")
    document = tomlkit.parse(text)
    for section in ("words", "limits", "prompts", "sound", "pronunciations"):
        assert f"[{section}]\n# " in text
        assert section in document
    assert max(map(len, text.split("\n"))) <= 120


def test_cautions_stand_with_the_behaviours_they_concern(path: Path) -> None:
    new(path, Answers("Tarn", FOUR[:2]))
    assert "CAUTION" not in path.read_text("utf-8")
    path.unlink()
    new(path)
    sit, stay, nails, dish = path.read_text("utf-8").split("[[behaviour]]")[1:]
    assert "CAUTION" not in sit + stay
    assert "one opt-out is a stop signal" in nails
    for advice in ("give space", "See a vet first", "licensed behaviour professional", "Local law"):
        assert advice in dish


@pytest.mark.parametrize("number", range(4))
def test_any_behaviour_may_come_first(path: Path, number: int) -> None:
    assert new(path, Answers("Tarn", (FOUR[number],))) == []


def test_comments_survive_a_change_by_a_program(path: Path) -> None:
    new(path)
    text = path.read_text("utf-8")
    document = tomlkit.parse(text)
    document["limits"]["time_s"] = 240.0
    document["behaviour"][0]["steps"].append("at the market")
    changed = tomlkit.dumps(document)
    comments = [line.partition("#")[2] for line in text.split("\n") if "#" in line]
    assert comments == [line.partition("#")[2] for line in changed.split("\n") if "#" in line]
    assert len(comments) > 20
    assert planfile.parse(changed, path).limits.time_s == 240.0
    assert planfile.parse(changed, path).behaviours[0].steps[-1] == "at the market"


def test_praise_gives_way_to_the_words_chosen(path: Path) -> None:
    assert new(path, Answers("Tarn", FOUR, marker="good")) == []
    assert planfile.load(path).words.praise == ()


# Nothing is overwritten


def test_an_existing_file_stays(path: Path) -> None:
    path.write_text("mine")
    with pytest.raises(UserError, match="exists already"):
        new(path)
    assert path.read_text() == "mine"


def test_a_file_that_appears_in_the_last_moment_stays(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.write_text("mine")
    monkeypatch.setattr(writer, "ready", lambda path: None)
    with pytest.raises(UserError, match="cannot be made"):
        writer.create(path, "new")
    assert path.read_text() == "mine"


def test_a_dangling_link_stays(tmp_path: Path, path: Path) -> None:
    path.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UserError, match="exists already"):
        new(path)
    assert not (tmp_path / "elsewhere").exists()


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="there is no folder .*make it first"):
        new(tmp_path / "none" / "tarn.toml")


def test_a_full_disk_leaves_nothing_behind(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="cannot be written: No space left on device"):
        new(path)
    assert not path.exists()


def test_answers_that_make_no_plan_write_nothing(path: Path) -> None:
    with pytest.raises(UserError, match='"sit" is given two roles: marker word and cue of "sit"'):
        new(path, Answers("Tarn", FOUR, marker="sit"))
    assert not path.exists()


# Answers


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [
        ("sit", Wanted("sit", ("sit",))),
        ("Sit: Sit, sit  down!", Wanted("sit", ("sit", "sit down"))),
        ("leave it : leave it, leave it", Wanted("leave it", ("leave it",))),
        ("stay (duration)", Wanted("stay", ("stay",), Tag.DURATION)),
        ("nails (Handling) : paws", Wanted("nails", ("paws",), Tag.HANDLING)),
        ("nail handling (handling): paws", Wanted("nail handling", ("paws",), Tag.HANDLING)),
        ("calm handling (plain): calm", Wanted("calm handling", ("calm",))),
    ],
)
def test_behaviours_as_typed(typed: str, wanted: Wanted) -> None:
    assert read_behaviour(typed) == wanted


@pytest.mark.parametrize("typed", ["", ":", "sit:", "sit: a,,b", "(duration)", "sit (odd): sit", "a (b) (c)", "x" * 61])
def test_behaviours_that_are_not_clear(typed: str) -> None:
    with pytest.raises(UserError) as refused:
        read_behaviour(typed)
    assert "\n" not in str(refused.value)


names = st.text(max_size=70)


@given(names, st.text(max_size=40), names)
@settings(deadline=None)
def test_whatever_is_typed_makes_a_plan_or_a_user_error(dog: str, behaviour: str, marker: str) -> None:
    """And what is read back is what was typed, in the form in which it is spoken."""
    try:
        answers = Answers(read_name(dog), (read_behaviour(behaviour),), marker=read_phrase(marker))
        text, _ = planfile.draft(Path("tarn.toml"), answers)
    except UserError:
        return
    made = planfile.parse(text, Path("tarn.toml"))
    assert spoken(made.dog) == spoken(dog)
    assert made.words.marker == (spoken(marker),)
    assert made.behaviours[0].cues == answers.behaviours[0].cues


# The commands


def test_new_by_flags_then_check(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flags = (
        "--dog",
        "Tarn",
        "--behaviour",
        "sit: sit, sit down",
        "--behaviour",
        "stay (duration)",
        "--marker",
        "bingo",
    )
    assert run("plan", "new", path, *flags) == 0
    assert f"{path} written." in capsys.readouterr().out
    assert planfile.load(path).words.marker == ("bingo",)
    assert run("plan", "check", path) == 0
    out = capsys.readouterr().out
    assert f"{path}: no errors, no warnings" in out
    rows = [" ".join(line.split()) for line in out.split("\n")]
    assert "sit down cue of sit sit down" in rows
    assert "bingo marker bing-goh" in rows
    assert "tarn name tahrn" in rows
    assert "words.marker bingo plan" in rows
    assert "limits.time_s 180 default" in rows
    assert max(len(line.rstrip()) for line in out.split("\n")[1:]) <= 80


def test_what_sound_is_kept_is_said_and_can_be_chosen(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HANDSFREE_HOME", str(path.parent))
    assert run("plan", "new", path, "--dog", "Tarn", "--behaviour", "sit") == 0
    out = capsys.readouterr().out
    assert "sound around each rep is kept for 14 days (at most 500 MB)" in out
    assert str(path.parent / "data" / "sound") in out
    assert planfile.load(path).sound == Sound()
    path.unlink()
    assert run("plan", "new", path, "--dog", "Tarn", "--behaviour", "sit", "--keep-sound", "all") == 0
    assert "all sound is kept for 14 days" in capsys.readouterr().out
    assert planfile.load(path).sound.keep_sound is KeepSound.ALL
    path.unlink()
    assert run("plan", "new", path, "--dog", "Tarn", "--behaviour", "sit", "--keep-sound", "some") == 2
    assert capsys.readouterr().err.startswith('handsfree: --keep-sound: "some" is not known; write around reps, all')
    assert not path.exists()


def test_a_plan_made_of_another_may_keep_other_sound(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HANDSFREE_HOME", str(path.parent))
    path.write_text('dog = "Tarn"\n[[behaviour]]\nname = "sit"\ncues = "sit"\n')
    other = path.with_name("other.toml")
    assert run("plan", "new", other, "--from", path, "--keep-sound", "nothing", "--marker", "bingo") == 0
    assert "In sessions with it, no sound is kept." in capsys.readouterr().out
    made = planfile.load(other)
    assert (made.sound.keep_sound, made.words.marker) == (KeepSound.NOTHING, ("bingo",))


def test_a_word_is_very_short_by_its_usual_way_to_say_it(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text('dog = "Tarn"\n[words]\nrelease = "okay"\n[[behaviour]]\nname = "up"\ncues = "up"\n')
    assert run("plan", "check", path) == 0
    out = capsys.readouterr().out
    assert "oh-kay or uh-kay or kay" in out
    assert '"up" (cue of "up") is very short: 2 sounds' in out
    assert '"okay" (release word) is very short' not in out


def test_check_prints_every_fault_and_exits_with_2(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text('dog = "Tarn"\n[[behaviour]]\nname = "up"\ncues = "up"\nsteps = 3\n[limits]\ntime_s = 0\n')
    assert run("plan", "check", path) == 2
    out = capsys.readouterr().out
    assert f"{path}: 2 errors, " in out
    assert f"\n{path}:5: behaviour[1].steps[1]: " in out or f"\n{path}:5: behaviour[1].steps: " in out
    assert f"\n{path}:7: limits.time_s: 0 is out of range; " in out
    assert out.index("\nErrors\n") < out.index("limits.time_s") < out.index("\nWarnings\n") < out.index("very short")


def test_check_of_no_file(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("plan", "check", path) == 2
    assert f"{path}: there is no such file; " in capsys.readouterr().out


def test_new_never_overwrites_and_says_so_before_asking(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text("mine")
    assert run("plan", "new", path) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err == f"handsfree: {path} exists already, and a plan is never overwritten; choose another name\n"
    assert path.read_text() == "mine"


def test_a_bad_flag_is_named(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("plan", "new", path, "--dog", "Tarn", "--behaviour", "sit (often)") == 2
    assert capsys.readouterr().err.startswith('handsfree: --behaviour: "often" is no kind of behaviour')
    assert not path.exists()


def test_questions_are_asked_again_until_the_answer_is_clear(path: Path) -> None:
    typed = ["?!", "Tarn", "", "bingo", "bingo", "", "", "", "bingo", "sit", "stay (duration)", "sit", ""]
    typed += ["some", "Nothing"]
    result = CliRunner().invoke(plan, ["new", str(path)], input="\n".join(typed) + "\n", catch_exceptions=False)
    assert result.exit_code == 0
    assert "Error: a name needs at least one letter" in result.output
    assert "Error: you gave this word already" in result.output  # bingo as the error word
    assert 'Error: "bingo" is given two roles' in result.output  # ... and as a cue
    assert 'Error: "some" is not known; write around reps, all, nothing' in result.output
    assert result.output.count("Error: ") == 5  # and a second behaviour "sit"
    made = planfile.load(path)
    assert made.words.marker == ("bingo",)
    assert made.sound.keep_sound is KeepSound.NOTHING
    assert "In sessions with it, no sound is kept." in result.output
    assert [behaviour.name for behaviour in made.behaviours] == ["sit", "stay"]


def test_the_last_behaviour_can_be_taken_back_while_answering(path: Path) -> None:
    """More than once, down to none, when it is asked for again; a cue of one taken back is free."""
    typed = ["Tarn", "", "", "", "", "", "sit: sit, down", "stay", "undo", "Undo ", "bed: down", "stay (duration)"]
    result = CliRunner().invoke(plan, ["new", str(path)], input="\n".join([*typed, "", "", ""]), catch_exceptions=False)
    assert result.exit_code == 0
    assert "Error: " not in result.output
    assert result.output.count("One more, undo to take back the last, or Enter: ") == 5
    assert "  taken back: stay\n" in result.output
    assert "  taken back: sit\nA behaviour, and what you say for it: " in result.output
    made = planfile.load(path).behaviours
    assert [(one.name, one.cues, one.tag) for one in made] == [
        ("bed", ("down",), Tag.PLAIN),
        ("stay", ("stay",), Tag.DURATION),
    ]


def test_a_behaviour_may_be_called_undo(path: Path) -> None:
    typed = ["Tarn", "", "", "", "", "", "sit", "undo: undo it", "", ""]
    assert CliRunner().invoke(plan, ["new", str(path)], input="\n".join(typed) + "\n").exit_code == 0
    assert [one.name for one in planfile.load(path).behaviours] == ["sit", "undo"]


def test_questions_without_answers_write_nothing(path: Path) -> None:
    command = [sys.executable, "-m", "handsfree.cli", "plan", "new", str(path)]
    done = subprocess.run(command, input="Tarn\n", capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert not path.exists()


@pytest.mark.parametrize("command", [[], ["new"], ["check"]])
def test_help_has_an_example(command: list[str]) -> None:
    result = CliRunner().invoke(plan, [*command, "--help"])
    assert result.exit_code == 0
    assert "Example:\n    handsfree plan " in result.output


@pytest.mark.parametrize("typed", ["sit; sit down", "sit: sit: down", "sit / sit down"])
def test_a_slip_of_the_finger_does_not_become_a_cue(typed):
    with pytest.raises(UserError, match="write name: cue, cue"):
        read_behaviour(typed)


@pytest.mark.parametrize(
    ("typed", "remedy"),
    [
        ("nails handling: paws", "write nails (handling), or nails handling (plain) if that is its name"),
        ("settle duration", "write settle (duration), or"),
        ("nails: paws (handling)", "the brackets stand after the name: nails (...): cue, cue"),
    ],
)
def test_a_kind_without_its_brackets_is_not_taken_for_a_name(typed: str, remedy: str) -> None:
    """It would be trained as a plain behaviour: no stop at the first opt-out, no caution."""
    with pytest.raises(UserError) as refused:
        read_behaviour(typed)
    assert remedy in str(refused.value)


@pytest.mark.parametrize("tag", ["plain", "duration", "handling", "guarding"])
def test_what_is_handling_by_its_name_should_be_marked_so(path: Path, tag: str) -> None:
    path.write_text(f'dog = "Tarn"\n[[behaviour]]\nname = "paws"\ncues = ["nails please"]\ntag = "{tag}"\n')
    warnings = [str(fault) for fault in planfile.check(path)]
    if tag in ("handling", "guarding"):
        assert warnings == []
    else:
        (warning,) = warnings
        assert warning.startswith(f'{path}:5: behaviour[1].tag: "paws" may be handling ("nails"), and without the tag')
