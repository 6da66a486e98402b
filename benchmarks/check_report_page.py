"""Look at a report page in a real browser: nothing asked of the network, nothing refused, and everything answers.

    python benchmarks/check_report_page.py FOLDER [--browser /usr/bin/chromium]

Maps the shipped run of four stations, makes its page (and its worksheet), opens them and checks: no console message, no
request, layer switches, sorting, list and map linked both ways, the same by keyboard alone, zoom and pan, printing on
A4 and Letter.  Screenshots at three widths in both themes, to be looked at, go into FOLDER.  Needs `playwright` and a
Chromium; exit status 1 if anything fails.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from sonargrid_cli.main import main as sonargrid

WIDTHS = (390, 820, 1400)


def pages(folder: Path) -> tuple[Path, Path]:
    """Make a map of the shipped run, its page and its worksheet."""
    made, page, sheet = folder / "bench_map", folder / "report.html", folder / "worksheet.html"
    for words in (
        ["map", "--sample", "potting_bench", "-o", str(made), "-q"],
        ["report", str(made), "-o", str(page), "-q"],
        ["report", str(made), "-o", str(sheet), "-q", "--worksheet"],
    ):
        if sonargrid(words) != 0:
            raise SystemExit(1)
    return page, sheet


def numbers(page: Any, column: int) -> list[str]:
    """Return a column of the list of things as it stands."""
    return list(page.locator(f"tr[data-thing] td:nth-child({column})").all_inner_texts())


def checks(page: Any) -> dict[str, bool]:
    """Return what was tried on the page -> whether it answered."""
    done: dict[str, bool] = {}
    arcs = page.locator("svg.map g.arcs")
    done["arcs start switched off"] = not arcs.is_visible()
    page.get_by_label("arcs of equal range").check()
    done["a switch shows the arcs"] = arcs.is_visible()
    page.get_by_label("evidence").uncheck()
    done["a switch hides the evidence"] = not page.locator("svg.map g.evidence image.on-light").is_visible()
    page.get_by_label("evidence").check()
    first = numbers(page, 3)
    page.get_by_role("button", name="x [m]", exact=True).click()
    done["sorts upwards"] = numbers(page, 3) == sorted(first, key=float)
    page.get_by_role("button", name="x [m]", exact=True).click()
    done["sorts downwards"] = numbers(page, 3) == sorted(first, key=float, reverse=True)
    page.get_by_role("button", name="show 2 on the map").click()
    done["list to map"] = page.locator(".hit.on").get_attribute("data-thing") == "m1-2"
    done["numbers are told"] = page.locator("output").inner_text().startswith("2: post at x")
    page.locator(".hit[data-thing=m1-3]").click()
    done["map to list"] = page.locator("tr.on").get_attribute("data-thing") == "m1-3"
    page.locator(".hit[data-thing=m1-1]").focus()
    done["focus tells numbers"] = page.locator("output").inner_text().startswith("1: post at x")
    page.keyboard.press("Enter")
    done["keyboard chooses"] = page.locator("tr.on").get_attribute("data-thing") == "m1-1"
    whole = page.locator("svg.map").get_attribute("viewBox")
    page.locator("svg.map").focus()
    page.keyboard.press("+")
    page.keyboard.press("ArrowRight")
    nearer = page.locator("svg.map").get_attribute("viewBox")
    done["keyboard zooms and moves"] = nearer != whole
    page.keyboard.press("0")
    done["0 shows the whole map"] = [float(v) for v in page.locator("svg.map").get_attribute("viewBox").split()] == [
        float(v) for v in (whole or "").split()
    ]
    page.locator("svg.map g.evidence image.on-light").hover()
    done["the pointer reads metres"] = page.locator(".where").inner_text().startswith("x ")
    return done


def reached_by_tab(page: Any) -> bool:
    """Return whether Tab alone reaches switches, buttons, map, things and list, in that order."""
    page.evaluate("document.activeElement.blur(); window.scrollTo(0, 0)")
    wanted = ["a.skip", "input[data-layers]", "button[data-act]", "svg.map", ".hit", "th button", ".pick", "summary"]
    for _ in range(80):
        page.keyboard.press("Tab")
        if wanted and page.evaluate("(what) => document.activeElement.matches(what)", wanted[0]):
            wanted.pop(0)
    return not wanted


def main() -> int:
    words = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    words.add_argument("folder", type=Path)
    words.add_argument("--browser", default="/usr/bin/chromium")
    typed = words.parse_args()
    typed.folder.mkdir(parents=True, exist_ok=True)
    page_file, sheet_file = pages(typed.folder)
    said: list[str] = []
    asked: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=typed.browser, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1400, "height": 1000})
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda problem: said.append(str(problem)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(page_file.resolve().as_uri())
        done = checks(page)
        done["Tab reaches everything in order"] = reached_by_tab(page)
        for file in (page_file, sheet_file):
            page.goto(file.resolve().as_uri())
            for paper in ("A4", "Letter"):
                target = typed.folder / f"{file.stem}_{paper}.pdf"
                done[f"prints {target.name}"] = page.pdf(path=target, format=paper).startswith(b"%PDF")
            for theme in ("light", "dark"):
                page.emulate_media(color_scheme=theme)
                for width in WIDTHS:
                    page.set_viewport_size({"width": width, "height": 1000})
                    page.screenshot(path=typed.folder / f"{file.stem}_{width}_{theme}.png", full_page=True)
                    wide = page.evaluate("document.documentElement.scrollWidth")
                    done[f"{file.stem} fits {width} px, {theme}"] = wide <= width
        browser.close()
    beyond = [url for url in asked if not url.startswith(("file:", "data:"))]
    done["no console message"], done["no request beyond the page"] = not said, not beyond
    for what, well in done.items():
        print(f"{'ok  ' if well else 'FAIL'} {what}")
    print(*said, *beyond, sep="\n")
    return 0 if all(done.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
