"""A file or folder that appears whole or not at all: written under a temporary name, then renamed."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.exporting.metadata import TOOL

MANIFESTS = ("csv-metadata.json", "datapackage.json", "export.json", "dataset_description.json")
"""One of these stands in every folder we write."""


def check(target: Path, replace: bool, log: Path, folder: bool) -> None:
    """Raise UserError if `target` must not be written: it is there, is no export of ours, or is or holds the log."""
    if not target.parent.is_dir():
        raise UserError(f"{target}: there is no folder {target.parent}; make it first, or name another target")
    if not os.path.lexists(target):
        return
    real, log = target.resolve(), log.resolve()
    if real == log or real in log.parents:
        raise UserError(f"{target}: the log itself lies there; name another target")
    if not replace:
        raise UserError(f"{target}: is there already; add --replace to write it anew, or name another target")
    if target.is_dir() != folder:
        wanted, there = ("folder", "file") if folder else ("file", "folder")
        raise UserError(f"{target}: this format writes a {wanted}, but a {there} is there; name another target")
    if folder and any(target.iterdir()) and not _is_ours(target):
        raise UserError(f"{target}: not a folder that export made, so it is not replaced; name another target")


def _is_ours(folder: Path) -> bool:
    for name in MANIFESTS:
        with contextlib.suppress(OSError):
            if f'"{TOOL}"' in (folder / name).read_text(encoding="utf-8", errors="replace"):
                return True
    return False


@contextlib.contextmanager
def whole_folder(target: Path) -> Iterator[Path]:
    """A temporary folder that becomes `target` when the block is left; on any error nothing is left of it.

    An older `target` is moved aside only once the new one is complete. Raises UserError when the disk refuses.
    """
    with _plain_errors(target), _scratch(target) as scratch:
        made, old = Path(scratch, "new"), Path(scratch, "old")
        made.mkdir()
        yield made
        if target.exists():
            target.rename(old)
        try:
            made.rename(target)
        except OSError:
            if old.exists():
                old.rename(target)
            raise


@contextlib.contextmanager
def whole_files(*targets: Path) -> Iterator[list[Path]]:
    """Temporary files that become `targets` when the block is left; on any error nothing is left of them."""
    with _plain_errors(targets[0]), _scratch(targets[0]) as scratch:
        made = [Path(scratch, target.name) for target in targets]
        yield made
        for new, target in zip(made, targets, strict=True):
            os.replace(new, target)


def _scratch(target: Path) -> tempfile.TemporaryDirectory[str]:
    """A folder beside the target, so that a rename is enough; always removed."""
    return tempfile.TemporaryDirectory(
        prefix=f".{target.name[:40]}-", suffix=".part", dir=target.parent, ignore_cleanup_errors=True
    )


@contextlib.contextmanager
def _plain_errors(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise UserError(
                f"{target}: the disk is full; free some space and run this again. Nothing of it was written"
            ) from error
        raise UserError(
            f"{target}: cannot be written ({error.strerror or error}); name another target. Nothing of it was written"
        ) from error
