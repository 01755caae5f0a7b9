"""A file is written whole or not at all, and never in place of somebody else's.

The new file is finished beside the place where it belongs and then moved there in one step. What stands there already
is replaced only if it is of our own making and kind (a page by a page) and shows the same data; a table, a key, typed
answers, a device, a pipe or anything else of the user's is refused. A writer that is killed leaves a hidden scratch
file that ends in ``.part``: the next writer of the same file takes it away, unless its own writer is still at work,
which a lock on it tells.
"""

from __future__ import annotations

import codecs
import errno
import hashlib
import os
import re
import secrets
import shutil
import stat
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

fcntl: Any
try:
    import fcntl
except ImportError:  # Windows: no locks of this kind
    fcntl = None

_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EACCES: "the folder may not be written to",
    errno.EPERM: "the folder may not be written to",
    errno.EROFS: "the disk may not be written to",
    errno.EFBIG: "the file would be larger than is allowed here",
    errno.ENAMETOOLONG: "the name is too long",
}
_OLD = 3600  # seconds after which a scratch file is taken to be left behind, where locks cannot tell


@dataclass(frozen=True)
class Kind:
    """A kind of file that we write: what it is called, how one is told, and how its name may end.

    With `marks` of the panels to be written, only a file may be replaced that lists none but these (`marked`), or where
    it has no such list, holds one of them; and, as far as `unchanged` can tell, is as it was written.
    """

    name: str
    tells: Callable[[BinaryIO], bool]  # reads no more than it takes
    endings: tuple[str, ...] = ()
    written_as: str = ""
    marks: frozenset[bytes] = frozenset()
    unchanged: Callable[[BinaryIO], bool] | None = None

    def of(self, *marks: str) -> Kind:
        """Those that show nothing but these."""
        return replace(self, marks=frozenset(mark.encode() for mark in marks))


def _holds(file: BinaryIO, wanted: bytes) -> bool:
    """Whether the rest of an open file holds `wanted`."""
    end = b""
    while block := file.read(2**20):
        if wanted in end + block:
            return True
        end = block[max(len(block) - len(wanted) + 1, 0) :]
    return False


def marked(marks: Iterable[str]) -> str:
    """The list of marks of what a file shows, to stand near its beginning."""
    return " ".join([_LIST, *marks])


def sealed(page: str) -> str:
    """A page with the digest of its own text in the place left for it, if one was left."""
    return page.replace(UNSEALED, UNSEALED.replace(_ZEROS, _digest(page.encode())), 1)


def _digest(page: bytes) -> str:
    return hashlib.sha256(page.replace(b"\r\n", b"\n")).hexdigest()


def _is_as_sealed(file: BinaryIO) -> bool:
    """Whether a page is as it was written, going by its own digest; one without a digest is taken to be."""
    page = file.read()
    found = _SEALED.search(page[:4000])
    if found is None:
        return True
    bare = page[: found.start(1)] + _ZEROS.encode() + page[found.end(1) :]
    return _digest(bare) == found[1].decode()


def _shows_no_more(file: BinaryIO, marks: frozenset[bytes]) -> bool:
    """Whether all that an open file lists is among `marks`; without a list, whether it holds one of them."""
    head = file.read(2**22)
    listed = _LISTED.search(head)
    if listed:
        return marks.issuperset(listed[1].split())
    for mark in marks:
        file.seek(0)
        if _holds(file, mark):
            return True
    return False


def _is_page(file: BinaryIO) -> bool:
    head = file.read(2000)
    if PAGE_MARK.encode() in head:
        return True
    file.seek(0)
    return head.startswith(_FIRST_PAGES) and _holds(file, b"<dt>fingerprint of the data (SHA-256)</dt>")


def _is_pool(file: BinaryIO) -> bool:
    return file.read(8).startswith((b"CDF\x02", b"\x89HDF\r\n\x1a\n")) and _holds(file, b"metasense_format")


def _is_table(file: BinaryIO) -> bool:
    """Whether an open file is a table in plain text, and none that cannot be made again: a key, or typed answers."""
    if _holds(file, b"\0"):
        return False
    file.seek(0)
    head = file.read(2**16).removeprefix(codecs.BOM_UTF8)
    first = _SAID.sub(b"", head).lstrip().splitlines()[:1]
    columns = [cell.strip(b" \"'").lower() for line in first for cell in re.split(rb"[,;\t|]", line)]
    precious = {b"tray", b"code", b"sample"}.issubset(columns) or {b"cups", b"answer"}.issubset(columns)
    return len(columns) > 1 and not precious


_SAID = re.compile(rb"\A\s*sep=.\r?\n")  # the separator, as spreadsheets may be told it
_LIST = "metasense-panels"
_LISTED = re.compile(rb"metasense-panels((?: [0-9a-f]{16})+)")
_ZEROS = "0" * 64
UNSEALED = f'<meta name="digest" content="{_ZEROS}">'  # no text of users can read so, as it is escaped
_SEALED = re.compile(rb'<meta name="digest" content="([0-9a-f]{64})">')
PAGE_MARK = '<meta name="generator" content="metasense">'  # stands in the head of our pages, above any text of users
_FIRST_PAGES = (  # how pages of 0.1 begin, which have no mark
    b'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<meta http-equiv="Content-Security-Policy" '
    b"content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'\">\n"
)
PAGE = Kind(
    "a page that metasense wrote", _is_page, (".html", ".htm"), "pages are written as HTML", unchanged=_is_as_sealed
)
POOL = Kind("a pool saved by metasense", _is_pool, (".nc",), "pools are saved as netCDF")
TEXT = Kind("a table of counts or results in plain text", _is_table)  # only where the user asks for it to be replaced


def ready(path: str | os.PathLike[str], ours: Kind | None = None) -> Path:
    """Where `path` leads, once it is sure that a file of this kind may be written there: to ask before long work.

    Parameters
    ----------
    path : path
        Links are followed.
    ours : Kind, optional
        What may be replaced there; without it only an empty file may.

    Raises
    ------
    FileNotFoundError
        When the folder does not exist.
    IsADirectoryError
        When `path` is a folder.
    FileExistsError
        When something else stands there: a device, a pipe, or a file that is not ours or shows other data.
    PermissionError
        When the folder, or the file there, may not be written to.
    ValueError
        When the name ends as those of another kind of file do.
    """
    target = _target(path, ours)
    _sweep(target)
    _free(path, target, ours)
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise PermissionError(_cannot(path, f"{_REASONS[errno.EACCES]}.{_kept(target)}"))
    return target


def holds(path: str | os.PathLike[str], data: bytes) -> bool:
    """Whether a file there holds just this, and so need not be written; anything else is an error.

    Raises
    ------
    FileExistsError
        When a file of that name holds something else, or it is no file.
    """
    target = _target(path)
    _sweep(target)
    if target.is_file() and target.stat().st_size == len(data) > 0 and target.read_bytes() == data:
        return True
    _free(path, target, None)
    return False


def _target(path: str | os.PathLike[str], ours: Kind | None = None) -> Path:
    if not os.fspath(path):
        raise FileNotFoundError("a file without a name cannot be written. Name one.")
    target = _real(path)
    ending = target.suffix.lower()
    if ours is not None and ours.endings and ending and ending not in ours.endings and not target.is_dir():
        ends = " or ".join(ours.endings)
        raise ValueError(_cannot(path, f"{ours.written_as}. Name a file that ends in {ends}."))
    if not target.parent.is_dir():
        raise FileNotFoundError(_cannot(path, f"there is no folder {str(target.parent)!r}. Make it first."))
    return target


def _real(path: str | os.PathLike[str]) -> Path:
    """Where a path leads; an error in words where no file can be."""
    try:
        target = Path(os.path.realpath(path))
        target.exists()
    except OSError as error:  # a name that is too long
        raise type(error)(_cannot(path, f"{_why(error)}.")) from error
    except ValueError as error:  # a NUL, or half a character
        raise FileNotFoundError(_cannot(path, "no file can have that name. Name another one.")) from error
    return target


def _free(path: str | os.PathLike[str], target: Path, ours: Kind | None) -> None:
    """Refuse to write over anything but an empty file or one of our own kind."""
    try:
        there = os.stat(path)
    except FileNotFoundError:
        return
    except OSError as error:
        raise _in_words(error, path, target) from error
    if stat.S_ISDIR(there.st_mode):
        raise IsADirectoryError(_cannot(path, "it is a folder. Name a file in it."))
    if not stat.S_ISREG(there.st_mode):
        raise FileExistsError(_cannot(path, "it is a device or a pipe, not a file. Name a file."))
    if there.st_size == 0:
        return
    if ours is None:
        raise FileExistsError(_cannot(path, "a file of that name exists. Name a new one."))
    try:
        with open(target, "rb") as file:
            its_own = ours.tells(file)
            file.seek(0)
            same = not its_own or not ours.marks or _shows_no_more(file, ours.marks)
            file.seek(0)
            unchanged = not its_own or not ours.marks or ours.unchanged is None or ours.unchanged(file)
    except OSError as error:
        raise _in_words(error, path, target) from error
    if not its_own:
        raise FileExistsError(_cannot(path, f"the file there is not {ours.name}. Name a new one."))
    if not same:
        why = f"the file there is {ours.name}, of panels not all in this pool. Name a new one, or say overwrite=True"
        raise FileExistsError(_cannot(path, f"{why} (--overwrite) to replace it."))
    if not unchanged:
        why = f"the file there is {ours.name}, and was changed by hand since"
        raise FileExistsError(
            _cannot(path, f"{why}. Name a new one, or say overwrite=True (--overwrite) to replace it.")
        )
    if not there.st_mode & 0o222 or not os.access(target, os.W_OK):  # the first also holds back who may do all
        raise PermissionError(_cannot(path, f"the file is protected against writing.{_kept(target)}"))


def _cannot(path: str | os.PathLike[str], why: str) -> str:
    return f"cannot write {os.fspath(path)!r}: {why}"


def _kept(target: Path) -> str:
    return " The file that was there is as it was." if target.exists() else ""


def _in_words(error: OSError, path: str | os.PathLike[str], target: Path) -> OSError:
    """The same error, naming the file asked for and never the scratch file."""
    return type(error)(_cannot(path, f"{_why(error)}.{_kept(target)}"))


def _why(error: OSError) -> str:
    return _REASONS.get(error.errno or 0, str(error.strerror).lower())


@contextmanager
def replacing(path: str | os.PathLike[str], ours: Kind | None = None, *, private: bool = False) -> Iterator[Path]:
    """A scratch path in the folder of `path`; on success it takes that place, on any failure `path` is left as it was.

    Parameters
    ----------
    path : path
    ours : Kind, optional
        What may be replaced there; without it only an empty file may.
    private : bool
        Whether only the owner may read the file, where the system knows owners.

    Raises
    ------
    FileNotFoundError, IsADirectoryError, FileExistsError, PermissionError, ValueError
        As in `ready`.
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
    target = _target(path, ours)
    _sweep(target)
    _free(path, target, ours)
    try:
        with _scratch(target, lambda name: _new_file(name, 0o600 if private else 0o666)) as scratch:
            yield scratch
            with open(scratch, "rb+") as written:
                os.fsync(written.fileno())
            _free(path, target, ours)  # somebody may have been faster
            if target.exists() and not private:
                shutil.copymode(target, scratch)
            _move(path, scratch, target, anew=ours is None and not target.exists())
    except OSError as error:
        if error.errno is None:  # said in words already
            raise
        raise _in_words(error, path, target) from error


def _move(path: str | os.PathLike[str], scratch: Path, target: Path, *, anew: bool) -> None:
    """Put the finished file in its place; `anew`, only if nothing is there, which one call then both sees and does."""
    if anew:
        try:
            os.link(scratch, target)
            return
        except FileExistsError:
            raise FileExistsError(_cannot(path, "a file of that name exists. Name a new one.")) from None
        except (OSError, AttributeError, NotImplementedError):
            pass  # a disk without hard links
    os.replace(scratch, target)


@contextmanager
def new_folder(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A scratch folder beside `path`; on success it takes that place, on any failure nothing is there.

    Folders above it are made, and go again on a failure. An empty folder may be there already.

    Raises
    ------
    FileExistsError
        When a file, or a folder that is not empty, is there.
    OSError
        When the disk is full, or the folder may not be written to; says which.

    Examples
    --------
    >>> import tempfile
    >>> parent = Path(tempfile.mkdtemp())
    >>> with new_folder(parent / "sheets") as scratch:
    ...     _ = (scratch / "a.txt").write_text("done")
    >>> [str(p.relative_to(parent)) for p in parent.rglob("*.txt")]
    ['sheets/a.txt']
    """
    target = _real(path)
    try:
        free_folder(path)
        with _folders_above(target), _scratch(target, _new_folder) as scratch:
            if target.exists():
                shutil.copymode(target, scratch)
            yield scratch
            free_folder(path)
            if os.name == "nt" and target.exists():
                target.rmdir()
            os.rename(scratch, target)  # replaces an empty folder, and nothing else
    except OSError as error:
        if error.errno is None:
            raise
        if error.errno in (errno.ENOTEMPTY, errno.EEXIST):
            raise FileExistsError(_cannot(path, "the folder is not empty. Name a new one.")) from error
        raise _in_words(error, path, target) from error


@contextmanager
def _folders_above(target: Path) -> Iterator[None]:
    """Make the folders that `target` is to be in; on any failure those that were made go again."""
    missing = [folder for folder in target.parents if not folder.exists()]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _sweep(target)
        yield
    except BaseException:
        for folder in missing:  # the innermost first
            with suppress(OSError):  # somebody else's things are in it by now
                folder.rmdir()
        raise


def free_folder(path: str | os.PathLike[str]) -> None:
    """Refuse a place where something is already: to ask before long work.

    Raises
    ------
    FileExistsError
        When a file, or a folder that is not empty or is the one worked in, is there.
    """
    target = _real(path)
    if target.exists() and not target.is_dir():
        raise FileExistsError(_cannot(path, "a file of that name exists. Name a new folder."))
    if target.is_dir() and any(target.iterdir()):
        raise FileExistsError(_cannot(path, "the folder is not empty. Name a new one."))
    if target.is_dir() and _is_worked_in(target):
        raise FileExistsError(_cannot(path, "it is the folder you are working in. Name a new one in it."))


def _is_worked_in(folder: Path) -> bool:
    try:
        return os.path.samefile(folder, os.getcwd())
    except OSError:  # that folder is gone
        return False


@contextmanager
def kept_still(path: str | os.PathLike[str]) -> Iterator[None]:
    """Hold a file that is read, changed and replaced, so that of two who do so at once neither's change is lost."""
    while fcntl is not None:
        held = os.open(path, os.O_RDONLY)
        try:
            with suppress(OSError):  # a disk without locks
                fcntl.flock(held, fcntl.LOCK_EX)
            if _same(held, path):  # else it was replaced while we waited: hold the new one
                yield
                return
        finally:
            os.close(held)
    yield


# --- scratch files ----------------------------------------------------------------------------------------------------


@contextmanager
def _scratch(target: Path, make: Callable[[Path], int | None]) -> Iterator[Path]:
    """A hidden file or folder beside `target`, locked as long as it is in use; what is left of it goes at the end."""
    held: int | None = None
    try:
        while True:
            scratch = target.with_name(f"{_start(target)}{secrets.token_hex(4)}.part")
            held = make(scratch)
            if held is None:
                break
            if fcntl is not None:
                with suppress(OSError):  # a disk without locks
                    fcntl.flock(held, fcntl.LOCK_EX)
            if _same(held, scratch):  # else somebody swept it up before it was locked
                break
            os.close(held)
            held = None
        yield scratch
    finally:
        with suppress(OSError):
            _remove(scratch)
        if held is not None:
            os.close(held)


def _start(target: Path) -> str:
    return f".{target.name[:60]}."


def _new_file(scratch: Path, mode: int) -> int | None:
    held = os.open(scratch, os.O_CREAT | os.O_EXCL | os.O_RDWR, mode)
    if fcntl is not None:
        return held
    os.close(held)  # Windows moves no open file
    return None


def _new_folder(scratch: Path) -> int | None:
    scratch.mkdir()
    return os.open(scratch, os.O_RDONLY) if fcntl is not None else None


def _same(held: int, path: str | os.PathLike[str]) -> bool:
    try:
        return os.path.samestat(os.fstat(held), os.stat(path))
    except OSError:
        return False


def _remove(scratch: str | os.PathLike[str]) -> None:
    if os.path.isdir(scratch) and not os.path.islink(scratch):
        shutil.rmtree(scratch)
    else:
        os.unlink(scratch)


def _sweep(target: Path) -> None:
    """Take away what killed writers of `target` left beside it."""
    ours = re.compile(rf"{re.escape(_start(target))}[0-9a-f]{{8}}\.part")
    with suppress(OSError):
        for name in os.listdir(target.parent):
            if ours.fullmatch(name):
                with suppress(OSError):
                    _sweep_one(target.with_name(name))


def _sweep_one(scratch: Path) -> None:
    kind = os.lstat(scratch).st_mode
    if not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
        return
    if fcntl is None:
        if time.time() - os.stat(scratch).st_mtime > _OLD:
            _remove(scratch)
        return
    held = os.open(scratch, os.O_RDONLY)
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)  # an error where its writer lives, or no lock can be had
        _remove(scratch)
    finally:
        os.close(held)
