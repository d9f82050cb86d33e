"""How does a result reach the disk whole, and never over what it was made from?

A file is written beside its place and moved there; a folder is made beside its place and exchanged with it by one
rename. What a killed run leaves beside a target carries the name of the target and ``.part``, and is locked for as
long as the run lives: the next run that writes there clears what nobody holds any more. What a run has read is
remembered by device and inode, and is never written to, whatever name leads there. Pipes and devices are written to
in place, symbolic links are followed, and the umask holds.

Source of the exchange: ``renameat2`` with ``RENAME_EXCHANGE``, Linux manual page rename(2).
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator, Mapping
from typing import IO, TYPE_CHECKING, Any, cast

from powerfault.errors import OutputError

if TYPE_CHECKING:
    from pathlib import Path  # slow to import, and not wanted by what only reads

try:
    import fcntl
except ImportError:  # without file locks nothing is ever taken for a leftover
    fcntl = None  # type: ignore[assignment]

MANIFEST = "manifest.json"
"""Lists the files that a run wrote into a folder, with the SHA-256 of each."""
_PART = ".part"
_read: set[tuple[int, int]] = set()


def note_read(stream: IO[Any]) -> None:
    """Remember the regular file behind ``stream`` as one that this process has read."""
    with contextlib.suppress(OSError, ValueError):
        found = os.fstat(stream.fileno())
        if stat.S_ISREG(found.st_mode):
            _read.add((found.st_dev, found.st_ino))


def check_output(path: str | os.PathLike[str]) -> None:
    """Raise :class:`OutputError` where ``path`` cannot be what results go to: a folder, or a file that was read."""
    _placed(path)


def _placed(path: str | os.PathLike[str]) -> tuple[Path, os.stat_result | None]:
    """Where ``path`` leads to, and what is there now."""
    from pathlib import Path

    name = os.fspath(path)
    if not name:
        raise OutputError("cannot write to a file without a name")
    try:
        found = os.stat(name)
    except FileNotFoundError:
        found = None
    except (OSError, ValueError) as error:
        raise _refusal(name, error) from error
    if found is not None and (found.st_dev, found.st_ino) in _read:
        raise OutputError(f"cannot write {_shown(name)}: it is a file that was read for this result; name another")
    if found is not None and stat.S_ISDIR(found.st_mode):
        raise OutputError(f"cannot write {_shown(name)}: it is a folder; name a file in it")
    return Path(os.path.realpath(name)), found


def _shown(name: str | os.PathLike[str]) -> str:
    text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in os.fspath(name))
    return text if len(text) <= 300 else f"{text[:300]}…"


def _refusal(name: str | os.PathLike[str], error: Exception) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(f"cannot write {_shown(name)}: {reason}; choose another place")


@contextlib.contextmanager
def opened(path: str | os.PathLike[str], *, tidy: bool = True) -> Iterator[IO[bytes]]:
    """Open ``path`` to write bytes to; they stand there whole at the end, or not at all if anything goes wrong.

    Missing folders above it are made; ``tidy`` clears leftovers of dead runs beside it. A pipe or a device,
    ``/dev/stdout`` among them, gets the bytes as they come.
    Raises :class:`OutputError` naming the path and the reason.
    """
    place, found = _placed(path)
    name = os.fspath(path)
    try:
        in_place = found is not None and not stat.S_ISREG(found.st_mode)
        if in_place or os.path.abspath(name).startswith(("/dev/", "/proc/")):
            with open(name, "ab", buffering=0) as raw:  # appending: what the shell has opened is not cut off
                yield cast(IO[bytes], _Whole(raw))
            return
        place.parent.mkdir(parents=True, exist_ok=True)
        if tidy:
            clear_leftovers(place)
        temporary, handle = _new(place, folder=False)
        try:
            if found is not None:  # no wider than it was, nor than the umask lets it be
                os.fchmod(handle, stat.S_IMODE(found.st_mode) & stat.S_IMODE(os.fstat(handle).st_mode))
            with open(handle, "wb", closefd=False) as stream:
                yield stream
            os.replace(temporary, place)
        finally:
            os.close(handle)
            with contextlib.suppress(OSError):
                os.unlink(temporary)
    except OSError as error:
        raise _refusal(name, error) from error


class _Whole:
    """An unbuffered file of which ``write`` never leaves off in the middle, as pipes do."""

    def __init__(self, raw: Any) -> None:
        self.raw = raw

    def __getattr__(self, name: str) -> Any:
        return getattr(self.raw, name)

    def write(self, data: Any) -> int:
        left = memoryview(data).cast("B")
        count = len(left)
        while left:
            left = left[self.raw.write(left) or 0 :]
        return count


def write_atomically(path: str | os.PathLike[str], content: str | bytes, *, tidy: bool = True) -> Path:
    """Write ``content`` (text as UTF-8 with ``\\n``) as :func:`opened` does. Raises :class:`OutputError`."""
    from pathlib import Path

    with opened(path, tidy=tidy) as stream:
        stream.write(content.encode("utf-8") if isinstance(content, str) else content)
    return Path(path)


def json_text(value: Any, indent: int | None = None) -> str:
    """``value`` as JSON, in which nothing stands that JSON does not have: no NaN and no infinity."""
    import json

    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent)


# ---- what lies beside a target while it is made


def _new(place: Path, *, folder: bool) -> tuple[Path, int]:
    """Make an empty file or folder beside ``place``, locked by the descriptor that is returned with it."""
    while True:
        made = place.parent / f".{place.name[:60]}-{os.urandom(6).hex()}{_PART}"
        if folder:
            os.mkdir(made)  # with the umask, as every mode here
            try:
                handle = os.open(made, os.O_RDONLY)
            except FileNotFoundError:
                continue  # another run took it for a leftover before it was locked
        else:
            handle = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_CLOEXEC", 0), 0o666)
        if _lock(handle) and _is_at(handle, made):
            return made, handle
        os.close(handle)  # another run took it for a leftover before it was locked


def _lock(handle: int, wait: bool = False) -> bool:
    if fcntl is None:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError as error:
        # A file system without locks: go on without.
        return error.errno not in (errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES)
    return True


def _is_at(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path, follow_symlinks=False))
    except OSError:
        return False


def clear_leftovers(place: Path, prefix: str | None = None) -> None:
    """Delete what killed runs left beside ``place``: parts of its name that no process holds."""
    if fcntl is None:
        return
    import shutil

    begin = f".{place.name[:60]}-" if prefix is None else prefix
    with contextlib.suppress(OSError):
        for entry in list(os.scandir(place.parent)):
            if not (entry.name.startswith(begin) and entry.name.endswith(_PART)) or entry.is_symlink():
                continue
            with contextlib.suppress(OSError):
                handle = os.open(entry.path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
                try:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    if entry.is_dir(follow_symlinks=False):
                        shutil.rmtree(entry.path, ignore_errors=True)
                    else:
                        os.unlink(entry.path)
                finally:
                    os.close(handle)


# ---- folders


def check_folder(folder: str | os.PathLike[str], mark: str = "") -> None:
    """Raise :class:`OutputError` where results cannot become the folder, before they are worked out.

    A folder that another run wrote, or that holds files alone, is replaced; the files stay. One that holds folders
    which no run wrote is refused, since it is exchanged as a whole.
    """
    from pathlib import Path

    try:
        target = Path(os.path.realpath(folder))
        mode = os.stat(target).st_mode
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        raise _refusal(folder, error) from error
    if not stat.S_ISDIR(mode):
        raise OutputError(f"cannot write {_shown(folder)}: there is a file of that name; give a folder")
    _users(target, mark)


def _manifest(target: Path) -> dict[str, str]:
    """The files that an earlier run wrote into ``target``, with their digests; empty without a manifest."""
    import json

    try:
        found = json.loads((target / MANIFEST).read_text("utf-8"))["files"]
        return {str(name): str(digest) for name, digest in found.items() if _plain_name(str(name))}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _plain_name(name: str) -> bool:
    from pathlib import Path

    return not os.path.isabs(name) and ".." not in Path(name).parts


def _users(target: Path, mark: str) -> list[str]:
    """The files in ``target`` that are the user's: of no earlier run, or changed since."""
    from pathlib import Path

    written = _manifest(target)
    if not written and mark and (target / mark).is_file():
        # Of a run that kept no manifest: what bears the same names is replaced, as it was then.
        written = dict.fromkeys([mark], "")
    folders = {str(parent) for name in written for parent in Path(name).parents} - {"."}
    found = []
    for root, below, names in os.walk(target):
        here = os.path.relpath(root, target)
        for name in below:
            inner = os.path.normpath(os.path.join(here, name))
            if inner not in folders and not os.path.islink(os.path.join(root, name)):
                raise OutputError(
                    f"cannot write {_shown(target)}: it holds the folder {_shown(inner)}, which no earlier run wrote, "
                    "and is replaced as a whole; give the results a folder of their own"
                )
        links = [name for name in below if os.path.islink(os.path.join(root, name))]
        for name in (*names, *links):
            inner = os.path.normpath(os.path.join(here, name))
            if inner != MANIFEST and (inner not in written or _changed(target / inner, written[inner])):
                found.append(inner)
    return found


def _changed(path: Path, digest: str) -> bool:
    import hashlib

    try:
        return bool(digest) and (path.is_symlink() or hashlib.sha256(path.read_bytes()).hexdigest() != digest)
    except OSError:
        return True


@contextlib.contextmanager
def folder_opened(folder: str | os.PathLike[str], mark: str = "") -> Iterator[Path]:
    """Give an empty folder to write into, which becomes ``folder`` at the end by one rename, or nothing does.

    Files of an earlier run that this one does not write are gone afterwards; the user's own files are kept (linked
    into the new folder, the same inodes). ``mark`` names a file by which a folder without a manifest is known as one
    of ours. Raises :class:`OutputError`.
    """
    import hashlib
    import json
    import shutil
    from pathlib import Path

    target = Path(os.path.realpath(folder))
    try:
        check_folder(folder, mark)
        target.parent.mkdir(parents=True, exist_ok=True)
        clear_leftovers(target)
        stage, handle = _new(target, folder=True)
        try:
            yield stage
            written = {
                p.relative_to(stage).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
                for p in sorted(stage.rglob("*"))
                if p.is_file()
            }
            listed = json.dumps({"format": 1, "files": written}, ensure_ascii=False, indent=1, allow_nan=False)
            (stage / MANIFEST).write_text(listed + "\n", "utf-8")
            _exchange(stage, target, written, mark)
        finally:
            os.close(handle)
            shutil.rmtree(stage, ignore_errors=True)
    except OSError as error:
        raise _refusal(folder, error) from error


def _exchange(stage: Path, target: Path, written: Mapping[str, str], mark: str) -> None:
    """Let ``stage`` and ``target`` change places; one run at a time where two write to the same folder."""
    while True:
        with contextlib.suppress(FileExistsError):
            os.mkdir(target)
        held = os.open(target, os.O_RDONLY)
        try:
            _lock(held, wait=True)
            if not _is_at(held, target):
                continue  # another run was quicker: look at what it left
            for name in _users(target, mark):
                if name in written:
                    if name in _manifest(target) or (mark and (target / mark).is_file()):
                        continue  # ours, changed by hand: written anew
                    raise OutputError(
                        f"cannot write {_shown(target)}: it holds {name}, which no earlier run wrote; move it away, or "
                        "give the results a folder of their own"
                    )
                (stage / name).parent.mkdir(parents=True, exist_ok=True)
                _adopt(target / name, stage / name)
            if (found := stat.S_IMODE(os.stat(target).st_mode)) != stat.S_IMODE(os.stat(stage).st_mode):
                os.chmod(stage, found)
            if not _exchanged(stage, target):
                away = stage.with_name(stage.name.replace(_PART, f".old{_PART}"))
                os.rename(target, away)
                os.rename(stage, target)
                os.rename(away, stage)
            return
        finally:
            os.close(held)


def _adopt(source: Path, place: Path) -> None:
    """The user's file at a second place: the same inode where links can be had, else a copy."""
    try:
        os.link(source, place, follow_symlinks=False)
    except OSError:
        import shutil

        shutil.copy2(source, place, follow_symlinks=False)


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two names in one step; ``False`` where the system cannot."""
    import ctypes

    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    at_fdcwd, exchange = -100, 2
    return bool(rename(at_fdcwd, os.fsencode(one), at_fdcwd, os.fsencode(other), exchange) == 0)
