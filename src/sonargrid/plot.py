"""Maps, things and sweeps on axes of matplotlib, for figures of one's own (extra ``plot``).

The same colours, marks and units as the project's own pictures: metres on straight axes, stations as discs with a bar,
things with their 95 % ellipse.  Each function draws on the axes it is given, or on new ones, and returns them; showing
and saving is the caller's.  `drawing` makes the pictures that the command line writes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from sonargrid.drawing.axes import length_text, round_step
from sonargrid.drawing.marks import axis_of, ellipse_m
from sonargrid.drawing.palette import Theme, evidence_colours, theme_named
from sonargrid.drawing.sweep_content import strip_content
from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.finding.things import Object
from sonargrid.maps.mapping import Map
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run, Station

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAR = 0.035  # of the axes' width: how far a station's bar reaches
ABOVE = 10  # marks lie above the evidence


def draw_map(made: Map, things: Sequence[Object] = (), ax: Axes | None = None, theme: str = "light") -> Axes:
    """Draw a map's evidence, its stations and things, and return the axes.

    Parameters
    ----------
    made : Map
        As `build_map` gives it.
    things : sequence of Object
        As `find_objects` gives them.
    ax : matplotlib axes, optional
        Where to draw; else new ones.
    theme : str
        ``light`` or ``dark``.

    Raises
    ------
    SonargridError
        If matplotlib is not installed.
    ValueError
        If the theme is unknown.

    Examples
    --------
    >>> import matplotlib
    >>> matplotlib.use("Agg")
    >>> from sonargrid.maps.mapping import build_map
    >>> from sonargrid.runs.readings import Readings
    >>> rows = Readings("angle_deg", "range_cm", [60.0, 90.0, 120.0], [50.0] * 3, [0] * 3, [0] * 3, [1] * 3)
    >>> draw_map(build_map(Run(rows), cell_m=0.05)).get_xlabel()
    'x [m]'
    """
    look = theme_named(theme)
    ax = _axes(ax, look)
    grid = made.grid
    prior = float(grid.meta.get("prior", 0.5))
    colours = evidence_colours(grid.probability(), prior, look, grid.touched)
    left, bottom, right, top = grid.frame.extent_m
    ax.imshow(colours, origin="lower", extent=(left, right, bottom, top), interpolation="nearest", aspect="equal")
    heard = sorted({int(index) for index in made.run.readings.station})
    draw_stations([made.run.stations[index] for index in heard], ax, theme)
    draw_things(things, ax, theme, made.run)
    _scale_bar(ax, look, right - left)
    # an ellipse may reach far beyond the floor that was looked at
    ax.set(xlim=(left, right), ylim=(bottom, top), xlabel="x [m]", ylabel="y [m]")
    ax.set_title(made.run.title or made.run.name)
    return ax


def draw_stations(stations: Sequence[Station], ax: Axes | None = None, theme: str = "light") -> Axes:
    """Draw stations as discs with a bar that points where the robot faces; parameters as `draw_map`."""
    look = theme_named(theme)
    ax = _axes(ax, look)
    low, high = ax.get_xlim()
    bar_m = BAR * abs(high - low)
    for station in stations:
        x, y, turn = station.x_m, station.y_m, station.heading_rad
        tip = (x + bar_m * math.cos(turn), y + bar_m * math.sin(turn))
        for colour, wide in ((look.halo, 6.0), (look.station, 3.0)):
            ax.plot([x, tip[0]], [y, tip[1]], color=colour, linewidth=wide, solid_capstyle="round", zorder=ABOVE)
        ax.plot(x, y, "o", color=look.station, markeredgecolor=look.halo, markersize=8, zorder=ABOVE)
        words = ax.annotate(station.name, (x, y), (6, -13), textcoords="offset points", color=look.station)
        _with_halo(words, look)
    return ax


def draw_things(things: Sequence[Object], ax: Axes | None = None, theme: str = "light", run: Run | None = None) -> Axes:
    """Draw things with their numbers and 95 % ellipses, and return the axes.

    Parameters
    ----------
    things : sequence of Object
        Numbered from 1 in this order.
    ax, theme :
        As `draw_map`.
    run : Run, optional
        Where they were heard; without it a thing heard from one place is a diamond and not a piece of its arc.
    """
    from matplotlib.patches import Polygon

    look = theme_named(theme)
    ax = _axes(ax, look)
    for number, thing in enumerate(things, start=1):
        colour = look.thing if thing.counted else look.wall
        rim = ellipse_m(thing)
        if rim is not None and thing.kind != "wall":
            ax.add_patch(Polygon(rim, facecolor=colour, alpha=0.18, edgecolor="none", zorder=ABOVE))
            ax.add_patch(Polygon(rim, fill=False, edgecolor=colour, linewidth=0.9, zorder=ABOVE))
        _outline(thing, ax, colour, run)
        words = ax.annotate(str(number), (thing.x_m, thing.y_m), (7, 7), textcoords="offset points", color=look.ink)
        _with_halo(words, look)
    return ax


def draw_sweep(run: Run, station: str | None = None, ax: Axes | None = None, theme: str = "light") -> Axes:
    """Draw one station's sweep as range against head angle, with its arcs of equal range, and return the axes.

    Parameters
    ----------
    run : Run
    station : str, optional
        Its name; else the first one with readings.
    ax, theme :
        As `draw_map`.

    Raises
    ------
    UsageProblem
        If the run has no station of that name with readings.
    SonargridError
        If matplotlib is not installed.
    """
    look = theme_named(theme)
    pings = calibrated(run)
    heard = {run.stations[int(index)].name: int(index) for index in np.unique(pings.station)}
    if not heard or (station is not None and station not in heard):
        raise UsageProblem(f"there is no sweep of station {station!r}", hint=f"this run has {', '.join(heard)}")
    index = next(iter(heard.values())) if station is None else heard[station]
    content = strip_content(run, pings, index, find_plateaus(pings, run.ranger))
    ax = _axes(ax, look)
    for number, plateau in enumerate(content.plateaus, start=1):
        left, at, right = content.head_of(plateau)
        ax.plot([left, right], [plateau.range_m] * 2, color=look.arc, alpha=0.35, linewidth=9, solid_capstyle="butt")
        words = ax.annotate(str(number), (at, plateau.range_m), (0, 9), textcoords="offset points", ha="center")
        words.set_color(look.arc)
    for turning, marker, colour, sort in (
        (1, "o", look.station, "angles growing"),
        (-1, "^", look.thing, "angles shrinking"),
        (0, "s", look.ink, "turning not known"),
    ):
        chosen = np.isfinite(content.range_m) & (content.turning == turning)
        if chosen.any():
            ax.plot(content.head_deg[chosen], content.range_m[chosen], marker, color=colour, markersize=4, label=sort)
    silent = np.isposinf(content.range_m)
    if silent.any():
        top = np.full(int(silent.sum()), content.top_m)
        ax.plot(content.head_deg[silent], top, "|", color=look.muted, markersize=9, label="silent", clip_on=False)
    low, high = content.span_deg
    # the robot's left lies at the left, as on the floor
    ax.set(xlim=(high, low), ylim=(0.0, content.top_m), xlabel="head angle [°]", ylabel="range [m]")
    ax.set_title(f"{content.title}, station {content.station}")
    ax.legend(facecolor=look.page, edgecolor=look.muted, labelcolor=look.ink)
    return ax


def _axes(ax: Axes | None, look: Theme) -> Axes:
    """Return the axes to draw on, in the theme's colours."""
    try:
        import matplotlib.pyplot as plt
    except ImportError:
        # a program sees the message only, so the remedy stands in it
        words = "sonargrid.plot needs the library matplotlib: python -m pip install 'sonargrid[plot]'"
        raise SonargridError(words) from None
    if ax is None:
        _, ax = plt.subplots(layout="constrained", facecolor=look.page)
    ax.set_facecolor(look.page)
    ax.tick_params(colors=look.ink)
    for part in (ax.xaxis.label, ax.yaxis.label, ax.title):
        part.set_color(look.ink)
    for edge in ax.spines.values():
        edge.set_edgecolor(look.ink)
    return ax


def _with_halo(words: Any, look: Theme) -> None:
    from matplotlib.patheffects import withStroke

    words.set(path_effects=[withStroke(linewidth=2.5, foreground=look.halo)], zorder=ABOVE + 1, fontsize=9)


def _outline(thing: Object, ax: Axes, colour: str, run: Run | None) -> None:
    """Draw what a thing is: a post's true circle, a wall's line, a box's face, an echo's piece of arc."""
    from matplotlib.patches import Arc, Circle

    if thing.kind in ("wall", "cluster") and not (math.isnan(thing.width_m) or math.isnan(thing.heading_rad)):
        ax.plot(*zip(*thing.ends_m(), strict=True), color=colour, linewidth=3.5, solid_capstyle="butt", zorder=ABOVE)
    elif thing.kind == "post" and not math.isnan(thing.diameter_m):
        rim = Circle((thing.x_m, thing.y_m), thing.diameter_m / 2, fill=False, edgecolor=colour, linewidth=2.0)
        ax.add_patch(rim).set_zorder(ABOVE)
    axis = None if run is None or thing.kind != "echo" else axis_of(thing, run.stations, run.robot)
    if axis is not None:
        turn, wide = math.degrees(thing.bearing_rad), 2.0 * thing.nearest_m
        # as far to either side as the 95 % ellipse reaches across the bearing
        half = math.degrees(min(math.pi / 2, 2.4477 * _across_m(thing) / max(thing.nearest_m, 1e-6)))
        ax.add_patch(Arc(axis, wide, wide, theta1=turn - half, theta2=turn + half, color=colour, linewidth=3.0))
    marker = {"post": "+", "cluster": "D", "corner": "s"}.get(thing.kind, "" if axis is not None else "d")
    if thing.kind != "wall" and marker:
        ax.plot(thing.x_m, thing.y_m, marker, color=colour, markersize=6, fillstyle="none", zorder=ABOVE)


def _across_m(thing: Object) -> float:
    c, s = math.cos(thing.bearing_rad), math.sin(thing.bearing_rad)
    rho = float(np.nan_to_num(thing.xy_correlation))
    across = (s * thing.x_sigma_m) ** 2 + (c * thing.y_sigma_m) ** 2
    return math.sqrt(max(0.0, across - 2.0 * rho * s * c * thing.x_sigma_m * thing.y_sigma_m))


def _scale_bar(ax: Axes, look: Theme, wide_m: float) -> None:
    """Draw a bar of a round length in the lower right corner."""
    from mpl_toolkits.axes_grid1.anchored_artists import AnchoredSizeBar

    length = round_step(0.12 * wide_m)
    bar = AnchoredSizeBar(ax.transData, length, length_text(length), "lower right", color=look.ink, frameon=False)
    ax.add_artist(bar)
