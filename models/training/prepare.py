"""Recordings -> one folder that training reads: checked, cut to mono 16 kHz, split by speaker.

    python models/training/prepare.py OUT --lexicon LEXICON.txt --noise FOLDER MANIFEST.tsv...
    python models/training/prepare.py OUT --lexicon LEXICON.txt --noise FOLDER --all --commands FOLDER MANIFEST.tsv...
    (with --half tune instead of --all: only that half of the people of --commands, nobody else who is held out)

MANIFEST  tab-separated: path (relative to the manifest), dataset, speaker, text, seconds, licence, note
OUT       speech.pcm, noise.pcm (int16 samples, one recording after the other), clips.json, noise.json, skipped.tsv,
          made_of.txt (what was asked for)

Left out, with the reason in skipped.tsv and counts on stdout: rows noted test_only or CHECK, the test split of Speech
Commands; licences not in LICENCES; speakers in held_out.txt; texts that are empty or hold a word without pronunciation;
files that are missing, unreadable, silent, too short or long, or not as long as the manifest says. Every tenth noise
file is held out too.
With --all, for the model that ships: the readers of held_out.txt (not the voices), all noise, and Speech Commands clips
in folders named after the word are used as well. Its figures come from a twin that was trained without it.
With --half tune those clips are used of that half of their people, and nothing else that is held out: what more
recordings of the words are worth can then be measured on the other half.
Running it again with the same options does nothing when OUT is whole and newer than what it is made from.
"""

from __future__ import annotations

import argparse
import collections
import csv
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import lexicon as lexicons
import numpy as np
from held_out import HALVES, HELD_OUT, half, held_out, noise_held_out, speaker_of

SAMPLE_RATE = 16_000
SHORTEST_S, LONGEST_S = 0.15, 24.0
LEAST_LEVEL = 1e-4
"""Root mean square, full scale 1; below it a recording is silence."""
LICENCES = ("cc0", "cc-by-4.0", "apache-2.0", "public-domain", "cc-by-4.0-per-openslr-101")
"""All allow the weights to be given away under a permissive licence; share-alike ones are for tests alone."""
BARRED_NOTES = ("test_only", "CHECK")
TESTED_ON = "speech_commands"
"""Its official test split (Warden 2018) is what every figure comes from: rows noted split=test are left out."""


class Skip(Exception):
    """A recording that is left out; the message is the reason."""


def check_row(row: dict[str, str], lexicon: dict[str, Any], barred: set[str]) -> None:
    """Raises Skip where the manifest's row alone says that a recording may not be used."""
    if note := next((note for note in BARRED_NOTES if note in row["note"]), None):
        raise Skip(f"noted {note}")
    if row["dataset"].startswith(TESTED_ON) and "split=test" in row["note"]:
        raise Skip("test split of Speech Commands")
    if "-".join(row["licence"].lower().split()) not in LICENCES:
        raise Skip(f"licence {row['licence'] or 'missing'}")
    voices = {voice.split("*")[0] for voice in row["speaker"].split("+")}
    if voices & barred:
        raise Skip("speaker held out")
    words = row["text"].lower().split()
    if not words:
        raise Skip("no text")
    if unknown := [word for word in words if word not in lexicon]:
        raise Skip(f"no pronunciation: {unknown[0]}")


def read(path: Path, seconds: float | None = None) -> np.ndarray:
    """Mono 16 kHz int16 samples. Raises Skip; `seconds` is the length that the manifest gives."""
    import soundfile

    try:
        sound, rate = soundfile.read(path, dtype="float32", always_2d=True)
    except (OSError, RuntimeError) as error:
        raise Skip("unreadable" if path.exists() else "missing") from error
    if rate != SAMPLE_RATE:
        raise Skip(f"{rate} Hz")
    mono = sound.mean(axis=1)
    length = len(mono) / SAMPLE_RATE
    if not SHORTEST_S <= length <= LONGEST_S:
        raise Skip("too short" if length < SHORTEST_S else "too long")
    if seconds is not None and abs(length - seconds) > 0.1:
        raise Skip("not as long as the manifest says")
    if float(np.sqrt(np.mean(mono**2))) < LEAST_LEVEL:
        raise Skip("silent")
    return (mono * 32767).clip(-32768, 32767).astype(np.int16)


@dataclass(frozen=True)
class Sources:
    """What is read: manifests, pronunciations, household sound; the rest: see --all and --half."""

    manifests: list[Path]
    lexicon: Path
    noise: Path
    everything: bool = False
    commands: Path | None = None
    half: str | None = None


def prepare(sources: Sources, out: Path) -> None:
    """Write the folder `out`."""
    made, of = out / "skipped.tsv", out / "made_of.txt"
    files = [*sources.manifests, sources.lexicon, HELD_OUT, HELD_OUT.with_suffix(".py"), Path(__file__)]
    whole = made.exists() and of.exists() and of.read_text() == str(sources)
    if whole and made.stat().st_mtime > max(file.stat().st_mtime for file in files):
        print(f"{out} is up to date")
        return
    out.mkdir(parents=True, exist_ok=True)
    made.unlink(missing_ok=True)  # written last: until then OUT is not whole
    of.write_text(str(sources))
    lexicon, barred = lexicons.read(sources.lexicon), held_out(sources.everything)
    rows = [row for manifest in sources.manifests for row in manifest_rows(manifest)]
    if sources.commands:
        people = command_rows(sources.commands)
        rows += [row for row in people if sources.half in (None, half(speaker_of(row["path"])))]

    def load_clip(row: dict[str, str]) -> np.ndarray:
        check_row(row, lexicon, barred)
        return read(Path(row["path"]), float(row["seconds"]) if row["seconds"] else None)

    skipped: list[tuple[str, str]] = []
    clips = []
    with open(out / "speech.pcm", "wb") as pcm:
        for row, sound in _load(load_clip, rows, lambda row: row["path"], skipped):
            clip = {key: row[key] for key in ("path", "dataset", "speaker")} | {"text": row["text"].lower()}
            clips.append(clip | {"start": pcm.tell() // 2, "samples": len(sound)})
            pcm.write(sound.tobytes())
    said = {word for clip in clips for word in clip["text"].split()}
    kept_lexicon = {word: lexicon[word] for word in sorted(said)}
    (out / "clips.json").write_text(json.dumps({"clips": clips, "lexicon": kept_lexicon}))

    def load_noise(path: Path) -> np.ndarray:
        if noise_held_out(path.name) and not sources.everything:
            raise Skip("noise held out")
        return read(path)

    noises = []
    with open(out / "noise.pcm", "wb") as pcm:
        for path, sound in _load(load_noise, sorted(sources.noise.iterdir()), lambda path: path.name, skipped):
            noises.append({"path": path.name, "start": pcm.tell() // 2, "samples": len(sound)})
            pcm.write(sound.tobytes())
    (out / "noise.json").write_text(json.dumps(noises))
    made.write_text("".join(f"{name}\t{reason}\n" for name, reason in skipped), encoding="utf-8")
    _report(clips, noises, skipped)


def manifest_rows(manifest: Path) -> list[dict[str, str]]:
    """The rows of a manifest, each with its whole path."""
    with open(manifest, encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines, delimiter="\t"))
    return [row | {"path": str(manifest.parent / row["path"])} for row in rows]


def command_rows(folder: Path) -> list[dict[str, str]]:
    """Speech Commands clips as rows: folders named after the word, files after the speaker; `_unknown_` holds other
    words, before the speaker in the file's name."""
    rows = []
    for path in sorted(folder.glob("*/*_nohash_*")):
        *word, speaker, _, _ = path.stem.split("_")
        text = word[0] if word else path.parent.name
        common = {"dataset": "commands", "note": "", "seconds": "", "licence": "CC BY 4.0"}
        rows.append(common | {"path": str(path), "speaker": f"sc_{speaker}", "text": text})
    return rows


def _load(load: Any, items: list, name: Any, skipped: list[tuple[str, str]]) -> Iterator[tuple[Any, np.ndarray]]:
    """(item, sound) for each that loads, in order, read by several threads; the others are noted."""

    def attempt(item: Any) -> tuple[Any, np.ndarray | Skip]:
        try:
            return item, load(item)
        except Skip as reason:
            return item, reason

    with ThreadPoolExecutor() as pool:
        for item, result in pool.map(attempt, items):
            if isinstance(result, Skip):
                skipped.append((name(item), str(result)))
            else:
                yield item, result


def _report(clips: list[dict], noises: list[dict], skipped: list[tuple[str, str]]) -> None:
    hours: collections.Counter[str] = collections.Counter()
    for clip in clips:
        hours[clip["dataset"]] += clip["samples"] / SAMPLE_RATE / 3600
    print(f"{len(clips)} clips, {sum(hours.values()):.2f} h, {len({clip['speaker'] for clip in clips})} speakers")
    print("\n".join(f"  {dataset}: {h:.2f} h" for dataset, h in hours.most_common()))
    print(f"{len(noises)} noise files, {sum(n['samples'] for n in noises) / SAMPLE_RATE / 3600:.2f} h")
    print(f"{len(skipped)} skipped:")
    for reason, count in collections.Counter(reason for _, reason in skipped).most_common():
        print(f"  {count} {reason}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("manifests", type=Path, nargs="+", metavar="MANIFEST.tsv")
    parser.add_argument("--lexicon", type=Path, required=True)
    parser.add_argument("--noise", type=Path, required=True)
    parser.add_argument("--all", action="store_true", help="for the model that ships")
    parser.add_argument("--half", choices=HALVES, help="of the people of --commands, instead of --all")
    parser.add_argument("--commands", type=Path, help="Speech Commands clips, with --all or --half")
    given = parser.parse_args()
    if given.commands and given.all == bool(given.half):
        parser.error("--commands: say whose recordings are used, --all or one --half of the people")
    if given.half and not given.commands:
        parser.error("--half: of which recordings? name their folder with --commands")
    prepare(Sources(given.manifests, given.lexicon, given.noise, given.all, given.commands, given.half), given.out)


if __name__ == "__main__":
    main()
