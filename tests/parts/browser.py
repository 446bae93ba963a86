"""A headless browser that shows a page as a reader sees it, or prints it."""

import shutil
import subprocess
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
_FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run")


def run(folder: Path, *arguments: str) -> str:
    """Run the browser with a profile of its own; return what it printed."""
    profile = f"--user-data-dir={folder / 'profile'}"
    command = [str(CHROMIUM), *_FLAGS, profile, *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout


def printed(folder: Path, page: Path) -> list[str]:
    """Return the text of each sheet of a page as it is printed."""
    sheets = folder / "printed.pdf"
    run(folder, f"--print-to-pdf={sheets}", "--no-pdf-header-footer", page.as_uri())
    text = subprocess.run(["pdftotext", "-layout", str(sheets), "-"], capture_output=True, text=True, check=True)  # noqa: S607 - of poppler-utils
    return text.stdout.split("\f")


def measured(folder: Path, page: Path, *, width: int, script: str) -> str:
    """Return what a script finds in a page that is shown in a frame of a width."""
    frame = folder / "frame.html"
    frame.write_text(
        f'<body style="margin:0"><iframe id="f" src="{page.name}" style="width:{width}px;height:2000px;border:0">'
        f"</iframe><pre id=out></pre><script>f.onload = () => {{ out.textContent = ({script})(f.contentDocument); }}"
        "</script></body>"
    )
    flags = ("--allow-file-access-from-files", "--virtual-time-budget=3000", "--dump-dom", "--window-size=1200,2000")
    dom = run(folder, *flags, frame.as_uri())
    return dom.partition('<pre id="out">')[2].partition("</pre>")[0]
