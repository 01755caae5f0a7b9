"""A file is written whole or not at all: the new one is finished beside the old one and then takes its place."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EACCES: "the folder may not be written to",
    errno.EROFS: "the disk may not be written to",
    errno.EFBIG: "the file would be larger than is allowed here",
}


@contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A scratch path in the folder of `path`; on success it replaces `path`, on any failure `path` is left as it was.

    Raises
    ------
    FileNotFoundError
        When the folder does not exist.
    IsADirectoryError
        When `path` is a folder.
    OSError
        When the disk is full, or the folder may not be written to; says which.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with replacing(folder / "a.txt") as scratch:
    ...     _ = scratch.write_text("done")
    >>> (folder / "a.txt").read_text(), len(list(folder.iterdir()))
    ('done', 1)
    """
    target = Path(os.path.realpath(path))
    if not target.parent.is_dir():
        raise FileNotFoundError(
            f"cannot write {os.fspath(path)!r}: there is no folder {str(target.parent)!r}. Make it first."
        )
    if target.is_dir():
        raise IsADirectoryError(f"cannot write {os.fspath(path)!r}: it is a folder. Name a file in it.")
    scratch = target.with_name(f".{target.name[:60]}.{secrets.token_hex(4)}.part")
    try:
        yield scratch
        if scratch.exists():
            with open(scratch, "rb+") as written:
                os.fsync(written.fileno())
            if target.exists():
                shutil.copymode(target, scratch)
        os.replace(scratch, target)
    except OSError as error:
        if error.errno is None:  # said in words already
            raise
        why = _REASONS.get(error.errno, str(error.strerror).lower())
        kept = " The file that was there is as it was." if target.exists() else ""
        raise type(error)(f"cannot write {os.fspath(path)!r}: {why}.{kept}") from error
    finally:
        with suppress(FileNotFoundError):
            scratch.unlink()
