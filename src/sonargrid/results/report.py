"""One self-contained page of HTML for one map or a batch of them: to read, to print, to repeat.

No network, no framework: pictures, style and script are inside the page, and its content-security policy lets nothing
else in.  Every string that comes from a run or a folder passes through `text`.
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Sequence
from importlib.resources import files

from sonargrid.bench.check_findings import RunCheck
from sonargrid.drawing.check_picture import strip_findings
from sonargrid.drawing.palette import THEMES
from sonargrid.drawing.pictures import CAUTION, map_figure, map_view
from sonargrid.drawing.sweep_content import strip_content
from sonargrid.drawing.sweep_strip import strip_figure
from sonargrid.drawing.vector import xml_text
from sonargrid.finding.things import Object
from sonargrid.physics.geometry import wrap_deg
from sonargrid.results.report_data import ReportData, map_part, one_line
from sonargrid.results.report_meetings import meetings_part
from sonargrid.results.report_sections import (
    ComparisonData,
    calibration_part,
    check_of,
    check_part,
    comparison_part,
    overview_part,
)
from sonargrid.results.report_svg import theme_rules, themed_svg, with_hits

MOST_WHOLE = 6  # maps on one page that are told with their sweeps; more would make it too heavy to pass on
SHORTENED = "<p>Its sweeps, and how its arcs meet, are on a page of its own: <code>sonargrid report OUT</code>.</p>"
MOST_STRIPS = 12  # of one map; a moving robot has hundreds of places
SWITCHES = (
    ("evidence", "evidence", True),
    ("arcs not yet explained", "unresolved-arcs", False),
    ("arcs of equal range", "arcs", False),
    ("stations", "stations way", True),
    ("things and their ellipses", "things walls hits", True),
    ("names and numbers", "labels", True),
)
SURFACES = {
    "light": "--paper:#ffffff;--line:#d3d9de;--mark:#f1e9dc;",
    "dark": "--paper:#192028;--line:#3a4651;--mark:#2c3742;",
}
COLUMNS = ("no.", "kind", "x [m]", "y [m]", "± [m]", "across [m]", "nearest [m]", "bearing [°]", "sure", "stations")


def report_page(
    parts: Sequence[ReportData], worksheet: bool = False, comparisons: Sequence[ComparisonData] = ()
) -> str:
    """Return the page.

    Parameters
    ----------
    parts : sequence of ReportData
        One for each map, at least one.
    worksheet : bool
        Ask first: the map without its things, the answers on a page of their own.
    comparisons : sequence of ComparisonData
        Each is told with the map of its run, or at the end.

    Raises
    ------
    ValueError
        If there is no map.
    """
    if not parts:
        raise ValueError("a report needs at least one map")
    look, script = _file("page.css"), _file("page.js")
    light, dark = (theme_rules(THEMES[name]) + SURFACES[name] for name in ("light", "dark"))
    style = f":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n{look}"
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; script-src '{_hash(script)}';"
        " base-uri 'none'; form-action 'none'"
    )
    title = parts[0].title if len(parts) == 1 else f"{len(parts)} maps"
    left = list(comparisons)
    articles = []
    for number, data in enumerate(parts, start=1):
        own = [one for one in left if one.run_digest and one.run_digest == data.summary["run"].get("digest")]
        left = [one for one in left if one not in own]
        articles.append(_article(data, f"m{number}", worksheet, len(parts) > MOST_WHOLE, own))
    articles += [f"<article>\n{comparison_part(one, text)}\n</article>" for one in left]
    body = "\n".join(articles)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{text(title)}</title>
<style>{style}</style>
</head>
<body>
<a class="skip" href="#m1">To the map</a>
{overview_part(parts, text, worksheet)}<main>
{body}
</main>
<script>{script}</script>
</body>
</html>
"""


def text(words: object) -> str:
    """Return words as they may stand in a page, between tags or in an attribute.

    >>> text('<b> "a" & b')
    '&lt;b&gt; &quot;a&quot; &amp; b'
    """
    return xml_text(str(words)).replace('"', "&quot;").replace("'", "&#39;")


def _file(name: str) -> str:
    return files("sonargrid.results").joinpath("report_look", name).read_text(encoding="utf-8").strip()


def _hash(content: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(content.encode("utf-8")).digest()).decode("ascii")


def _article(
    data: ReportData, name: str, worksheet: bool, short: bool, comparisons: Sequence[ComparisonData] = ()
) -> str:
    """Return one map's part of the page; the short form is without its sweeps and without how its arcs meet."""
    head = f'<article id="{name}" aria-labelledby="{name}-title">\n<h1 id="{name}-title">{text(data.title)}</h1>'
    cautions = _cautions(data)
    answers = [_map(data, name), _table(data, name)]
    check = None if short else check_of(data)
    if short:
        answers.append(SHORTENED)
    else:
        answers += [meetings_part(data, name, text), check_part(check, text), _strips(data, name, check)]
    answers += [comparison_part(one, text) for one in comparisons]
    record = [_warnings(data), calibration_part(data, text), _settings(data), _repeat(data)]
    if not worksheet:
        return "\n".join([head, f"<p>{_paragraph(data)}</p>", cautions, *answers, *record, "</article>"])
    asked = [f'<section class="asked"><p>{_asked(data)}</p>', cautions, _blank_map(data, name), _questions(data)]
    asked.append("</section>")
    told = [f"<p>{_paragraph(data)}</p>", *answers, *record]
    section = ['<section class="answers">', "<h2>Answers</h2>", *told, "</section>"]
    return "\n".join([head, *asked, *section, "</article>"])


def _number(value: object) -> str:
    return f"{value:,}".replace(",", "\u202f") if isinstance(value, int) else text(value)


def _asked(data: ReportData) -> str:
    counts, grid = data.summary["counts"], data.grid
    wide, high = (cells * grid.cell_m for cells in (grid.frame.columns, grid.frame.rows))
    stations = counts.get("stations", 0)
    return (
        f"{_number(counts.get('readings', 0))} readings from {_number(stations)} station{'' if stations == 1 else 's'}"
        f" ({_number(counts.get('echoes', 0))} echoes, {_number(counts.get('silent', 0))} silent) were put onto"
        f" {wide:.2f}\u00a0m × {high:.2f}\u00a0m of floor in cells of {grid.cell_m * 100:g}\u00a0cm, with the"
        f" {text(grid.meta.get('beam', 'unknown'))} beam and the {text(grid.meta.get('solver', 'unknown'))} solver."
    )


def _paragraph(data: ReportData) -> str:
    """Return what was done, and what came of it."""
    if data.objects is None:
        return f"{_asked(data)} No list of things was asked for."
    kinds = [thing.kind for thing in data.objects]
    counted = [f"{kinds.count(kind)} {kind}{'' if kinds.count(kind) == 1 else 's'}" for kind in dict.fromkeys(
        thing.kind for thing in data.objects if thing.counted)]  # fmt: skip
    behind = [f"{kinds.count(kind)} {kind}{'' if kinds.count(kind) == 1 else 's'}" for kind in dict.fromkeys(
        thing.kind for thing in data.objects if not thing.counted)]  # fmt: skip
    total = sum(thing.counted for thing in data.objects)
    found = f"{total} thing{'' if total == 1 else 's'} stand{'s' if total == 1 else ''} there"
    said = f"{found}: {one_line(counted)}" if counted else "No thing was found"
    return f"{_asked(data)} {said}{f'; behind them {one_line(behind)}' if behind else ''}."


def _cautions(data: ReportData) -> str:
    notes = "".join(f"<p>{text(note)}</p>" for note in data.notes)
    return (
        f'<div class="caution" role="note"><p><strong>{text(CAUTION)}</strong> It shows what stood there while the'
        " robot swept. Nothing on the map never proves that nothing is there: no hand, foot or way may depend on it."
        " Where people could be hurt, local rules and a qualified person come first"
        f" (<code>sonargrid explain cautions</code>).</p>{notes}</div>"
    )


def _map(data: ReportData, name: str) -> str:
    """Return the map with its switches, buttons and status line."""
    content = map_part(data)
    svg = themed_svg(map_figure(content), map_figure(content, "dark"), name)
    svg = with_hits(svg, content.things, map_view(content), name).replace(
        'role="group"', 'role="group" tabindex="0"', 1
    )
    there = [("evidence", "evidence", True)]
    there += [switch for switch in SWITCHES[1:] if any(f'<g class="{layer}"' in svg for layer in switch[1].split())]
    boxes = "".join(
        f'<label><input type="checkbox" data-layers="{layers}"{" checked" if on else ""}> {words}</label>'
        for words, layers, on in there
    )
    acts = (("in", "Nearer"), ("out", "Farther"), ("all", "Whole map"))
    buttons = "".join(f'<button type="button" data-act="{act}">{words}</button>' for act, words in acts)
    return (
        f'<h2>Map</h2>\n<div class="screen"><fieldset class="bar"><legend>Show</legend>{boxes}</fieldset>'
        f'<div class="bar">{buttons}<span class="quiet">Drag to move; + − 0 and arrow keys once the map has the focus.'
        f'</span></div></div>\n<figure class="wide">{svg}</figure>\n<p class="status screen">'
        '<output aria-live="polite"></output> <span class="where"></span></p>'
    )


def _blank_map(data: ReportData, name: str) -> str:
    content = map_part(data, things=False)
    svg = themed_svg(map_figure(content), map_figure(content, "dark"), f"{name}q")
    return f'<h2>Map</h2>\n<figure class="wide">{svg}</figure>'


def _questions(data: ReportData) -> str:
    rows = "".join(f'<tr><th scope="row">{n}</th><td></td><td></td><td></td></tr>' for n in range(1, 7))
    return (
        "<h2>How many? Where?</h2>\n<p>How many things stand on this floor? Mark each on the map, then write down its"
        " place. Which dark arcs belong to one thing, heard from several stations?</p>\n"
        f'<table class="lines"><thead><tr><th>no.</th><th>x [m]</th><th>y [m]</th><th>what is it?</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )


def _row(thing: Object, number: int, name: str) -> str:
    def cell(value: float, decimals: int) -> str:
        known = math.isfinite(value)
        return f'<td class="n">{f"{value:.{decimals}f}" if known else ""}</td>'

    across = thing.width_m if math.isnan(thing.diameter_m) else thing.diameter_m
    key = f"{name}-{number}"
    label = f'aria-pressed="false" aria-label="show {number} on the map"'
    pick = f'<button type="button" class="pick" {label}>{number}</button>'
    return (
        f'<tr data-thing="{key}"><td data-value="{number}">{pick}</td><td>{text(thing.kind)}</td>'
        + cell(thing.x_m, 3)
        + cell(thing.y_m, 3)
        + cell(math.hypot(thing.x_sigma_m, thing.y_sigma_m), 3)
        + cell(across, 3)
        + cell(thing.nearest_m, 3)
        + cell(float(wrap_deg(math.degrees(thing.bearing_rad))), 1)
        + cell(thing.confidence, 2)
        + f'<td class="n">{thing.stations}</td></tr>'
    )


def _table(data: ReportData, name: str) -> str:
    """Return the list of things as a table that sorts."""
    if not data.objects:
        return "<h2>Things</h2>\n<p>None.</p>" if data.objects is not None else ""
    heads = "".join(
        f'<th scope="col"{"" if at in (0, 1) else " class=" + chr(34) + "n" + chr(34)}><button type="button">{words}'
        "</button></th>"
        for at, words in enumerate(COLUMNS)
    )
    rows = "".join(_row(thing, number, name) for number, thing in enumerate(data.objects, start=1))
    return (
        '<h2>Things</h2>\n<p class="quiet">± is one standard deviation of the place; an empty cell: the readings do not'
        " say. Press a heading to sort, a number to show it on the map.</p>\n"
        '<div class="scroll"><table class="short">'
        f"<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _strips(data: ReportData, name: str, check: RunCheck | None) -> str:
    """Return each station's sweep."""
    if data.run is None or data.pings is None:
        return ""
    heard = sorted({int(station) for station in data.pings.station})
    drawn = []
    for station in heard[:MOST_STRIPS]:
        findings = () if check is None else strip_findings(check, data.run.stations[station].name)
        content = strip_content(data.run, data.pings, station, data.plateaus, findings)
        svg = themed_svg(strip_figure(content), strip_figure(content, "dark"), f"{name}s{station}")
        drawn.append(f'<h3>Station {text(content.station)}</h3><figure class="wide">{svg}</figure>')
    rest = len(heard) - len(drawn)
    more = f"<p>{rest} more stations are not drawn; <code>sonargrid sweep</code> draws any.</p>" if rest else ""
    return "<h2>The sweeps</h2>\n" + "\n".join(drawn) + more


def _warnings(data: ReportData) -> str:
    said = [*data.summary.get("warnings", ()), *data.summary.get("ghosts", ()), *data.summary.get("hidden", ())]
    rows = "".join(f"<li>{text(words)}</li>" for words in said if isinstance(words, str))
    return f"<h2>Warnings, and what is not listed</h2>\n<ul>{rows}</ul>" if rows else ""


def _settings(data: ReportData) -> str:
    rows = "".join(
        f'<tr><th scope="row">{text(key)}</th><td class="long">{text(_value(entry.get("value")))}</td>'
        f"<td>{text(entry.get('origin', ''))}</td></tr>"
        for key, entry in data.summary["settings"].items()
        if isinstance(entry, dict)
    )
    assumed = ", ".join(text(key) for key in data.summary.get("assumed_sigmas", ()))
    said = f"<p>Assumed, as the run does not state them: {assumed}.</p>" if assumed else ""
    return (
        f"<h2>Settings</h2>\n{said}<details><summary>Every value and where it came from</summary>"
        '<div class="scroll"><table><thead><tr><th scope="col">key</th><th scope="col">value</th>'
        f'<th scope="col">origin</th></tr></thead><tbody>{rows}</tbody></table></div></details>'
    )


def _value(value: object) -> str:
    if value is None or value == "" or value == []:
        return "—"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _repeat(data: ReportData) -> str:
    """Return the commands, digests and versions that repeat and prove the map."""
    commands = "\n".join(text(command) for command in data.summary.get("commands", ()))
    digests = [("the run", data.summary["run"].get("digest") or "—")]
    digests += [(name, entry.get("sha256", "—")) for name, entry in data.summary.get("files", {}).items()]
    rows = "".join(
        f'<tr><th scope="row">{text(what)}</th><td class="long"><code>{text(value)}</code></td></tr>'
        for what, value in digests
    )
    versions = ", ".join(f"{text(what)} {text(one)}" for what, one in data.summary.get("versions", {}).items())
    shown = f"<pre><code>{commands}</code></pre>" if commands else "<p>It was made by a program, not by a command.</p>"
    return (
        f"<h2>To repeat it</h2>\n{shown}\n<details><summary>Digests (SHA-256)</summary>"
        f'<div class="scroll"><table><tbody>{rows}</tbody></table></div></details>\n<p class="quiet">{versions}</p>'
    )
