"""Writing files so that a reader never sees half of one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from powerfault.errors import OutputError


def write_atomically(path: str | os.PathLike[str], content: str | bytes) -> Path:
    """Write ``content`` to ``path`` (text as UTF-8 with ``\\n``) through a temporary file in the same folder.

    The folder is made if it is absent. Raises :class:`OutputError` naming the path and the reason.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:40]}-")
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, target)
    except OSError as error:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
        raise OutputError(f"cannot write {target}: {error.strerror or error}; choose another place") from error
    return target
