"""The pictures of the README: the demo's map in a real browser, as PNG files in `maps/`.

In: the demo district, a Chromium on the machine.
Out: `maps/demo-map.png`, the whole district; `maps/demo-plan.png`, one shed with its plan;
    `maps/demo-house.png`, one pitched roof with its plan. Run

    python -m tests.pictures

after anything that changes how a map looks, look at each, and commit them.
"""

from __future__ import annotations

import datetime
import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from roofplat import build, read_district

ROOT = Path(__file__).resolve().parents[1]
AS_OF = datetime.date(2026, 1, 1)
SHED = "MB-0004"
HOUSE = "MB-0134"
# File name: what stands after # in the address, width and height of the window.
PICTURES = {
    "demo-map.png": ("", 1600, 860),
    "demo-plan.png": (f"#{SHED}", 1440, 900),
    "demo-house.png": (f"#{HOUSE}", 1280, 800),
}
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
LARGEST_BYTES = 250_000


def take(browser: Browser, page_file: Path, anchor: str, width: int, height: int, picture: Path) -> None:
    """Photograph one view of a map."""
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    page.goto(page_file.as_uri() + anchor)
    page.wait_for_selector("body[data-ready=yes]")
    page.wait_for_timeout(1500)  # tiles are drawn one after another
    page.screenshot(path=picture)
    context.close()
    with Image.open(picture) as taken:
        # No palette: a colour of the legend that shifts says something else.
        taken.convert("RGB").save(picture, optimize=True)
    if picture.stat().st_size > LARGEST_BYTES:
        raise SystemExit(f"{picture} is larger than {LARGEST_BYTES} bytes; make its window smaller.")


def main() -> None:
    """Build the demo beside the repository's files and take every picture."""
    program = shutil.which("chromium")
    if program is None:
        raise SystemExit("There is no chromium on this machine; install it to take pictures.")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        built = build(read_district(ROOT / "data/demo/district.toml"), out=folder, as_of=AS_OF)
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        for name, (anchor, width, height) in PICTURES.items():
            take(browser, built.out / "map.html", anchor, width, height, ROOT / "maps" / name)
            sys.stdout.write(f"maps/{name}\n")
        browser.close()


if __name__ == "__main__":
    main()
