"""The layout program ``dot``, found and run as a subprocess with a time limit.

The wheel graphviz-pure brings the whole command, so no system package is needed: it lies in the scripts directory of
the interpreter. A ``graphviz-pure`` or ``dot`` on PATH does as well.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sysconfig
from functools import lru_cache
from pathlib import Path

from powerfault.errors import ToolError

TIME_LIMIT_S = 120.0
_NAMES = ("graphviz-pure", "dot")


@lru_cache(maxsize=1)
def find_dot() -> str:
    """The path of the program. Raises :class:`ToolError` saying how to get it."""
    suffix = ".exe" if os.name == "nt" else ""
    scripts = Path(sysconfig.get_path("scripts"))
    for name in _NAMES:
        candidate = scripts / f"{name}{suffix}"
        if candidate.is_file() and os.access(candidate, os.X_OK):
            return str(candidate)
    for name in _NAMES:
        if found := shutil.which(name):
            return found
    raise ToolError(
        f"no layout program: looked for {' and '.join(_NAMES)} in {scripts} and on PATH; "
        "install it with 'pip install graphviz-pure' or as the package 'graphviz' of your system"
    )


def run_dot(source: str, output: str = "svg", time_limit_s: float = TIME_LIMIT_S) -> bytes:
    """Lay out DOT ``source`` and return the picture in the format ``output``.

    Raises :class:`ToolError` when the program is absent, fails, says nothing or takes longer than ``time_limit_s``.
    """
    program = find_dot()
    try:
        done = subprocess.run(
            [program, "-Kdot", f"-T{output}"], input=source.encode("utf-8"), capture_output=True,
            timeout=time_limit_s, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        raise ToolError(
            f"{program} did not finish the layout within {time_limit_s:g} s; draw less of the system "
            "(without needs and functions, or with channels collapsed)"
        ) from error
    except OSError as error:
        raise ToolError(f"{program} could not be started: {error.strerror or error}") from error
    if done.returncode != 0 or not done.stdout:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        reason = said[-1][:300] if said else "it said nothing"
        raise ToolError(f"{program} failed with exit code {done.returncode}: {reason}")
    return done.stdout
