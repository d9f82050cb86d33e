"""A Chromium at hand, run without a window: for PDF and for PNG pictures of our own SVG."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from powerfault.errors import ToolError

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
TIME_LIMIT_S = 120.0
PDF_TIME_LIMIT_S = 900.0
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync",
    "--disable-component-update", "--disable-default-apps", "--no-first-run", "--no-default-browser-check",
    "--hide-scrollbars", "--mute-audio",
)  # fmt: skip


def find_browser() -> str | None:
    """The path of a Chromium: ``POWERFAULT_CHROMIUM`` if set, else the first known name on PATH."""
    if named := os.environ.get("POWERFAULT_CHROMIUM"):
        return shutil.which(named)
    for name in _NAMES:
        if found := shutil.which(name):
            return found
    return None


def run_browser(page: Path, options: list[str], output: Path, time_limit_s: float = TIME_LIMIT_S) -> None:
    """Open ``page`` with ``options`` that make it write ``output``; raises :class:`ToolError` if it does not."""
    program = find_browser()
    if program is None:
        raise ToolError(
            "no Chromium found: install one (on Debian 'apt install chromium'), or name it in POWERFAULT_CHROMIUM"
        )
    with tempfile.TemporaryDirectory() as profile:
        command = [program, *FLAGS, f"--user-data-dir={profile}", *options, page.resolve().as_uri()]
        try:
            done = subprocess.run(command, capture_output=True, timeout=time_limit_s, check=False)
        except subprocess.TimeoutExpired as error:
            raise ToolError(f"{program} did not finish within {time_limit_s:g} s") from error
        except OSError as error:
            raise ToolError(f"{program} could not be started: {error.strerror or error}") from error
    if done.returncode != 0 or not output.exists() or output.stat().st_size == 0:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise ToolError(f"{program} wrote nothing (exit code {done.returncode}): {said[-1][:300] if said else ''}")


def svg_to_png(svg: str, width: float, height: float) -> bytes:
    """A PNG of ``svg`` at twice its size in pixels, ``width`` by ``height`` points."""
    scale = min(2.0, 15000 / max(width, height, 1))
    with tempfile.TemporaryDirectory() as folder:
        page, picture = Path(folder) / "page.html", Path(folder) / "picture.png"
        # Points in the SVG become pixels of the page, so that the window is exactly filled.
        sized = svg.replace('pt" height="', 'px" height="', 1).replace('pt" viewBox', 'px" viewBox', 1)
        page.write_text(
            f'<!doctype html><meta charset="utf-8"><style>body{{margin:0}}svg{{display:block}}</style>{sized}',
            encoding="utf-8",
        )
        run_browser(
            page,
            [f"--screenshot={picture}", f"--window-size={int(width + 1)},{int(height + 1)}",
             f"--force-device-scale-factor={scale:g}"],
            picture,
        )  # fmt: skip
        return picture.read_bytes()


def page_to_pdf(page: Path, output: Path) -> None:
    """Print ``page`` to PDF with the page numbers of its own style sheet."""
    run_browser(
        page,
        [f"--print-to-pdf={output}", "--no-pdf-header-footer"],
        output,
        PDF_TIME_LIMIT_S,
    )
