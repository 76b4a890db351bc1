"""The pictures of the README: the demo's map and report in a real browser, and a sheet, as PNG in `maps/`.

In: the demo district, a Chromium on the machine.
Out: `maps/demo-map.png`, the whole district; `maps/demo-plan.png`, one shed with its plan;
    `maps/demo-house.png`, one pitched roof with its plan; `maps/demo-phone.png`, a card on a phone;
    `maps/demo-report.png`, the head of the report; `maps/demo-sheet.png`, a sheet as a copier sees it;
    `maps/demo-day.png`, the page of a day of inspection; `maps/demo-what-if.png` and
    `maps/demo-compare.png`, a what-if and two scenarios on the live page of the service. Run

    python -m tests.pictures

after anything that changes how a map looks, look at each, and commit them.
"""

from __future__ import annotations

import datetime
import shutil
import sys
import tempfile
from pathlib import Path

import pypdfium2
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from roofplat import build, read_district
from roofplat.pipeline import draw_sheets, inspect_days
from tests.serve.conftest import running

ROOT = Path(__file__).resolve().parents[1]
AS_OF = datetime.date(2026, 1, 1)
FIRST_DAY = datetime.date(2026, 1, 5)
SHED = "MB-0004"
HOUSE = "MB-0134"
# File name: the page and what stands after # in its address, width and height of the window.
PICTURES = {
    "demo-map.png": ("map.html", 1600, 860),
    "demo-plan.png": (f"map.html#{SHED}", 1440, 900),
    "demo-house.png": (f"map.html#{HOUSE}", 1280, 800),
    "demo-phone.png": (f"map.html#{SHED}", 390, 844),
    "demo-report.png": ("report.html", 1100, 1300),
    "demo-day.png": (f"inspections/{FIRST_DAY}.html", 1000, 1300),
}
# The same shed live, with the fire in its north-east and the wind turned; then beside its standing plan.
WHAT_IF = f"#{SHED}?what-if&fire=-118.88708,40.91850&wind=135"
LIVE_WINDOW = (1440, 900)
SHEET_DPI = 110
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
LARGEST_BYTES = 250_000


def take(browser: Browser, address: str, width: int, height: int, picture: Path) -> None:
    """Photograph one view of a page."""
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    page.goto(address)
    if "map.html" in address:
        page.wait_for_selector("body[data-ready=yes]")
    shoot(page, picture)
    context.close()


def take_live(browser: Browser, address: str, what_if: Path, compare: Path) -> None:
    """Photograph a what-if on the live page, and then the two scenarios side by side."""
    width, height = LIVE_WINDOW
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    page.goto(f"{address}/{WHAT_IF}")
    page.wait_for_selector("body[data-whatif=shown]")
    shoot(page, what_if)
    page.click("#whatif-compare")
    page.wait_for_selector("#compare[open] svg")
    shoot(page, compare)
    context.close()


def shoot(page: Page, picture: Path) -> None:
    """Take a picture when all is drawn."""
    page.wait_for_timeout(1500)  # tiles are drawn one after another
    page.screenshot(path=picture)
    with Image.open(picture) as taken:
        # No palette: a colour of the legend that shifts says something else.
        taken.convert("RGB").save(picture, optimize=True)
    check_size(picture)


def print_sheet(sheet: Path, picture: Path) -> None:
    """Draw a sheet in grey, as a copier sees it."""
    document = pypdfium2.PdfDocument(sheet)
    document[0].render(scale=SHEET_DPI / 72, grayscale=True).to_pil().save(picture, optimize=True)
    document.close()
    check_size(picture)


def check_size(picture: Path) -> None:
    """Refuse a picture that would make the repository heavy."""
    if picture.stat().st_size > LARGEST_BYTES:
        raise SystemExit(f"{picture} is larger than {LARGEST_BYTES} bytes; make its window smaller.")


def main() -> None:
    """Build the demo beside the repository's files and take every picture."""
    program = shutil.which("chromium")
    if program is None:
        raise SystemExit("There is no chromium on this machine; install it to take pictures.")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        district = read_district(ROOT / "data/demo/district.toml")
        built = build(district, out=folder, as_of=AS_OF)
        drawn = draw_sheets(district, [SHED], out=folder, as_of=AS_OF)
        inspect_days(district, start_on=FIRST_DAY, days=2, inspectors=2, out=folder, as_of=AS_OF)
        print_sheet(drawn.sheets[SHED], ROOT / "maps/demo-sheet.png")
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        for name, (page, width, height) in PICTURES.items():
            take(browser, f"{built.out.resolve().as_uri()}/{page}", width, height, ROOT / "maps" / name)
            sys.stdout.write(f"maps/{name}\n")
        with running(ROOT / "data/demo/district.toml", built.out, Path(folder) / "serve.log") as server:
            names = ("demo-what-if.png", "demo-compare.png")
            take_live(browser, server.url, *(ROOT / "maps" / name for name in names))
            sys.stdout.write("".join(f"maps/{name}\n" for name in names))
        browser.close()


if __name__ == "__main__":
    main()
