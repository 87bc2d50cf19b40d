"""A page as PDF through a headless Chromium where one is installed, else as print-ready HTML."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from asymscreen.errors import RecordError

BROWSERS = ("chromium", "chromium-browser", "chromium-headless-shell")
PATIENCE_S = 90.0
"""How long the browser may take for one page, seconds."""


def find_browser() -> str | None:
    """The path of an installed Chromium, or None."""
    return next((found for found in map(shutil.which, BROWSERS) if found), None)


def write_page(html: str, path: Path) -> Path:
    """Write a page. `.html` goes as it stands; `.pdf` needs Chromium, else the HTML is written in its place.

    The path that was written: its suffix says which. RecordError where it cannot be written.
    """
    browser = find_browser() if path.suffix.lower() == ".pdf" else None
    if browser is None:
        place = path if path.suffix.lower() in (".html", ".htm") else path.with_suffix(".html")
        _write(place, html.encode("utf-8"))
        return place
    _write(path, print_pdf(html, browser))
    return path


def print_pdf(html: str, browser: str) -> bytes:
    """The page as PDF bytes. RecordError where the browser makes none."""
    with tempfile.TemporaryDirectory(prefix="page-") as folder:
        page, out = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        command = [
            browser, "--headless", "--disable-gpu", "--no-pdf-header-footer", "--no-first-run",
            "--disable-extensions", "--disable-background-networking", "--virtual-time-budget=10000",
            f"--user-data-dir={folder}/profile", f"--print-to-pdf={out}",
        ]  # fmt: skip
        if os.geteuid() == 0:
            command.append("--no-sandbox")
        try:
            subprocess.run(
                [*command, page.as_uri()], check=True, timeout=PATIENCE_S, stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL,
            )  # fmt: skip
            return out.read_bytes()
        except (OSError, subprocess.SubprocessError) as error:
            raise RecordError(
                f"{browser}: expected a PDF from it, got none ({type(error).__name__}); "
                "write .html and print that"
            ) from error


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise RecordError(
            f"{path}: expected to write the page there, got {error.strerror}; choose another"
        ) from error
