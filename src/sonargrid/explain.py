"""The built-in pages: what a person who has never met log-odds needs to read a map, one page a topic.

The pages are Markdown files in the folder `pages` of this package.  Printing them is the command line's business.
No numpy here, so that a page is on the screen at once.
"""

from __future__ import annotations

import difflib
from importlib.resources import files

from sonargrid.errors import UsageProblem

_ENDING = ".md"

# topic -> what it answers, in the order in which a newcomer needs them
TOPICS: dict[str, str] = {
    "reading-a-map": "what the colours, arcs and ellipses of a map mean",
    "words": "the words on screens: plain first, the trade's term after",
    "run-files": "what a run is: its two files, every key and column",
    "stations": "parking, measuring where you parked, and saying how well",
    "sending": "what the robot prints, and which way angles turn",
    "mounting": "where the ranger sits on the robot: arm, side, height, tilt",
    "calibrating": "head, ranger and beam at the bench, and the file they share",
    "bench": "what to do at the bench, in which order, and why",
    "checking": "whether a run is fit for use: every finding and its cause",
    "beam-models": "the beam models, and when to choose which",
    "weights": "why ten pings of one thing do not count as ten",
    "many-runs": "a whole folder of runs at once, and how it survives a break",
    "machines": "one job on several computers, and how safe that is",
    "comparing": "which beam model suits your ranger, and what a tie is",
    "aligning": "whether the stations stood where the run says",
    "parking-next": "where another sweep would tell most, and why",
    "trust": "whether a map's probabilities can be taken at their word",
    "merging": "maps of one floor added up, and what cannot be added",
    "simulating": "rooms on paper: scene files and what the simulator does",
    "cautions": "what a map is not, and how not to get hurt",
}


def topics() -> dict[str, str]:
    """Return every topic with one line of what it answers, in reading order.

    >>> next(iter(topics()))
    'reading-a-map'
    """
    return dict(TOPICS)


def page(topic: str) -> str:
    """Return the page of a topic as Markdown text, lines up to 80 columns.

    Raises
    ------
    UsageProblem
        If there is no such topic; lists all and names the nearest.

    Examples
    --------
    >>> page("cautions").splitlines()[0]
    '# Cautions'
    """
    name = topic.strip().lower().removesuffix(_ENDING).replace("_", "-").replace(" ", "-")
    if name not in TOPICS:
        near = difflib.get_close_matches(name, TOPICS, n=1)
        hint = f"did you mean '{near[0]}'?" if near else "sonargrid explain lists them with a line each"
        raise UsageProblem(f"there is no page '{topic}'; pages: {', '.join(TOPICS)}", hint=hint)
    return files("sonargrid").joinpath("pages", name + _ENDING).read_text(encoding="utf-8")
