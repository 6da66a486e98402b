"""The bench sheet on paper: a self-contained page of HTML for A4 or Letter, and the same as plain text.

Nothing is fetched and nothing runs in the page.  What stands on it is `bench_plan`'s business.
"""

from __future__ import annotations

import base64
import hashlib
import math
import textwrap
from importlib.resources import files

from sonargrid.bench.bench_plan import CAUTIONS, BenchPlan, Blank, PostPlace, Step
from sonargrid.results.report import text
from sonargrid.units import to_rad

PAPERS = {"a4": "A4", "letter": "letter"}
WIDTH = 80
PLAN_PX = 300.0  # of the drawing's half circle, from the middle to its rim
_LINE = "_"


def sheet_text(plan: BenchPlan) -> str:
    """Return the sheet as plain text of 80 columns.

    >>> from sonargrid.bench.bench_plan import bench_plan
    >>> sheet_text(bench_plan()).splitlines()[0]
    'BENCH SHEET'
    """
    lines = [plan.title.upper()[:WIDTH], f"ranger: {plan.label or '______________'}", "", "BEFORE YOU BEGIN"]
    lines += [line for caution in CAUTIONS for line in _wrapped(caution, "! ", "  ")]
    lines += ["", "WHAT TO EXPECT"]
    for name, value, note in plan.figures:
        lines += _wrapped(f"{name}: {value} ({note})", "  ", "    ")
    lines += ["", "POSTS, 5 CM ACROSS (head angle: 0 = right, 90 = ahead, 180 = left)"]
    lines += [f"  {'':4}{'near face':>10}{'head angle':>12}{'x':>9}{'y':>9}{'looks wide':>13}"]
    lines += [
        f"  {p.name:4}{p.near_m:>8.2f} m{p.head_deg:>10.0f} °{p.x_m:>+8.3f}m{p.y_m:>8.3f}m{p.arc_deg:>10.0f} °"
        for p in plan.posts
    ]
    lines.append("  x to the right, y ahead of the servo axis, to the middle of the post")
    for number, step in enumerate(plan.steps, 1):
        lines += ["", f"[ ] {number}. {step.title}", *_wrapped(step.why, "    ", "    ")]
        lines += [line for how in step.how for line in _wrapped(how, "    - ", "      ")]
        lines += _blanks(step.blanks)
    return "\n".join(lines) + "\n"


def _wrapped(words: str, first: str, later: str) -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def _blanks(blanks: tuple[Blank, ...]) -> list[str]:
    """Return lines of boxes, as many in a line as fit."""
    lines = [""] if blanks else []
    for blank in blanks:
        box = " ".join([_LINE * 9] * blank.count)
        piece = f"{blank.words} {box}{' ' + blank.unit if blank.unit else ''}"
        if lines[-1] and len(lines[-1]) + len(piece) + 3 > WIDTH:
            lines.append("")
        lines[-1] = f"{lines[-1]}   {piece}" if lines[-1] else f"      {piece}"
    return lines


def sheet_html(plan: BenchPlan, paper: str = "a4") -> str:
    """Return the sheet as one page of HTML to print.

    Parameters
    ----------
    plan : BenchPlan
    paper : str
        ``a4`` or ``letter``.

    Raises
    ------
    ValueError
        If the paper is unknown.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper is one of {', '.join(PAPERS)}, got {paper!r}")
    look = files("sonargrid.results").joinpath("report_look", "bench_sheet.css").read_text(encoding="utf-8").strip()
    style = f"@page{{size:{PAPERS[paper]};margin:13mm 14mm}}\n{look}"
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    label = text(plan.label) if plan.label else '<span class="box wide"></span>'
    cautions = "".join(f"<li>{text(caution)}</li>" for caution in CAUTIONS)
    rows = "".join(f"<tr><th>{text(a)}</th><td>{text(b)}</td><td>{text(c)}</td></tr>" for a, b, c in plan.figures)
    steps = "\n".join(_step(number, step) for number, step in enumerate(plan.steps, 1))
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{text(plan.title)}</title>
<style>{style}</style>
</head>
<body>
<header><h1>{text(plan.title)}</h1><p>Ranger: {label}</p></header>
<section class="cautions" aria-label="Cautions"><h2>Before you begin</h2><ul>{cautions}</ul></section>
<div class="two">
<section><h2>What to expect</h2><table><tbody>{rows}</tbody></table></section>
<section><h2>Where the posts go</h2>{plan_svg(plan.posts)}{_post_table(plan.posts)}</section>
</div>
<ol class="steps">
{steps}
</ol>
</body>
</html>
"""


def _step(number: int, step: Step) -> str:
    how = "".join(f"<li>{_with_commands(line)}</li>" for line in step.how)
    box = '<span class="box"></span>'
    boxes = "".join(f"<label>{text(b.words)} {box * b.count} {text(b.unit)}</label>" for b in step.blanks)
    filled = f'<p class="blanks">{boxes}</p>' if boxes else ""
    return (
        f'<li><h3><span class="tick"></span>{number}. {text(step.title)}</h3><p class="why">{text(step.why)}</p>'
        f"<ul>{how}</ul>{filled}</li>"
    )


def _with_commands(line: str) -> str:
    """Return a line with what is typed set off: from ``sonargrid`` to two blanks or the line's end."""
    before, found, rest = line.partition("sonargrid ")
    if not found:
        return text(line)
    typed, gap, after = rest.partition("  ")
    return f"{text(before)}<code>{text(found + typed)}</code>{'&emsp;' if gap else ''}{text(after.strip())}"


def _post_table(posts: tuple[PostPlace, ...]) -> str:
    rows = "".join(
        f"<tr><th>{text(p.name)}</th><td>{p.near_m:.2f} m</td><td>{p.head_deg:.0f}°</td><td>{p.x_m:+.3f}, {p.y_m:.3f} m"
        f"</td><td>{p.arc_deg:.0f}°</td></tr>"
        for p in posts
    )
    head = "<tr><th></th><th>near face</th><th>head angle</th><th>x, y of its middle</th><th>looks wide</th></tr>"
    return f'<table class="posts"><thead>{head}</thead><tbody>{rows}</tbody></table>'


def plan_svg(posts: tuple[PostPlace, ...]) -> str:
    """Return a drawing of the half circle before the robot with the posts and the arcs that they will leave."""
    far = max(post.near_m for post in posts) * 1.28
    scale = PLAN_PX / far
    wide, high, middle, foot = 2 * PLAN_PX + 108, PLAN_PX + 90, PLAN_PX + 54, PLAN_PX + 44.0
    words = ", ".join(f"{p.name} at {p.near_m:.2f} m, head angle {p.head_deg:.0f}°" for p in posts)
    out = [
        f'<svg viewBox="0 0 {wide:.0f} {high:.0f}" role="img" aria-label="Posts: {text(words)}">',
        f'<path class="rim" d="{_arc(middle, foot, PLAN_PX, 0.0, 180.0)}"/>',
    ]
    for angle in range(0, 181, 30):
        x, y = _at(middle, foot, PLAN_PX, angle)
        tx, ty = _at(middle, foot, PLAN_PX + 24.0, angle)
        out.append(f'<path class="spoke" d="M{middle:.1f} {foot:.1f}L{x:.1f} {y:.1f}"/>')
        out.append(f'<text class="small" x="{tx:.1f}" y="{ty + 7:.1f}">{angle}°</text>')
    for post in posts:
        near = post.near_m * scale
        low, high_deg = post.head_deg - 0.5 * post.arc_deg, post.head_deg + 0.5 * post.arc_deg
        out.append(f'<path class="arc" d="{_arc(middle, foot, near, low, high_deg)}"/>')
        x, y = middle + post.x_m * scale, foot - post.y_m * scale
        out.append(f'<circle class="post" cx="{x:.1f}" cy="{y:.1f}" r="{0.025 * scale:.1f}"/>')
        out.append(f'<text x="{x:.1f}" y="{y - 0.025 * scale - 9:.1f}">{text(post.name)}</text>')
    out.append(f'<path class="robot" d="M{middle - 26:.1f} {foot + 20:.1f}h52v-20l-26 -16l-26 16z"/>')
    for words_at, anchor, x in (("its left", "start", 8.0), ("its right", "end", wide - 8.0)):
        out.append(
            f'<text class="small" style="" text-anchor="{anchor}" x="{x:.0f}" y="{foot + 40:.0f}">{words_at}</text>'
        )
    return "".join([*out, "</svg>"]).replace(' style=""', "")


def _at(x: float, y: float, radius: float, angle_deg: float) -> tuple[float, float]:
    turn = float(to_rad(angle_deg))
    return x + radius * math.cos(turn), y - radius * math.sin(turn)


def _arc(x: float, y: float, radius: float, low_deg: float, high_deg: float) -> str:
    (x0, y0), (x1, y1) = _at(x, y, radius, low_deg), _at(x, y, radius, high_deg)
    return f"M{x0:.1f} {y0:.1f}A{radius:.1f} {radius:.1f} 0 0 0 {x1:.1f} {y1:.1f}"
