"""TOML text -> tables, with the line on which each key stands, where that is sure.

The standard library's parser keeps no lines, so the text is walked once more: a key has a line only if the walk and
the parser agree on its value.  A wrong line would be worse than none.  What keys mean is `run_toml`'s business.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sonargrid.errors import Fault, InputFaults

MAX_TOML_BYTES = 1_000_000
BOM = b"\xef\xbb\xbf"

Path = tuple[str | int, ...]  # such as ("station", 0, "x_m"); tables of a list are counted from 0

_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")
_HEADER = re.compile(r"\s*(\[\[?)([^\[\]]+)(\]\]?)\s*(?:#.*)?", re.DOTALL)
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"\\]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"\\]*"|'[^']*'))*)\s*=""")
_KEYS_AS_TUPLE = re.compile(r"\(('[^()]*',?)\)")
_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"\\]*"|'[^']*'""")


@dataclass(frozen=True, slots=True)
class TomlText:
    """A parsed TOML file.

    file : its name as the user typed it
    data : the tables
    lines : path of a key or a table -> line counted from 1, for those that are sure
    raw : path of a key -> its value as written, for those that are sure
    """

    file: str
    data: Mapping[str, Any]
    lines: Mapping[Path, int] = field(default_factory=dict)
    raw: Mapping[Path, str] = field(default_factory=dict)

    def line(self, *path: str | int) -> int | None:
        """Return the line of a key or a table header; None where it is not sure."""
        return self.lines.get(path)


def decoded(content: bytes, file: str) -> str:
    """Return UTF-8 bytes as text without a byte order mark.

    Raises
    ------
    InputFaults
        If the bytes are not UTF-8 or hold a NUL; the line is named.
    """
    content = content.removeprefix(BOM)
    fault = text_fault(content, file)
    if fault is not None:
        raise InputFaults([fault])
    return content.decode("utf-8")


def text_fault(content: bytes, file: str, line: int = 1, start: bytes | None = None) -> Fault | None:
    """Return the first place that is no UTF-8 text, a NUL before any other; None where all of it is.

    content : without a byte order mark; may be a part of a file that begins at `line`
    start : how the whole file begins; None = as `content` does
    """
    start = content if start is None else start
    hint = "save the file as UTF-8 text"
    nul = content.find(b"\0")
    if nul >= 0:
        wide = start[:2] in (b"\xff\xfe", b"\xfe\xff") or start[1::2][:8].count(0) >= 4
        words = "the file is UTF-16, not UTF-8" if wide else "a NUL byte, which no text file holds"
        return Fault(words, hint, file, None if wide else line + content.count(b"\n", 0, nul))
    try:
        content.decode("utf-8")
    except UnicodeDecodeError as problem:
        words = f"not UTF-8: byte 0x{content[problem.start]:02x}"
        return Fault(words, hint, file, line + content.count(b"\n", 0, problem.start))
    return None


def read_toml(content: bytes, file: str) -> TomlText:
    """Return the tables of a TOML file and the lines of their keys.

    Raises
    ------
    InputFaults
        If the file is too large, is not UTF-8 or is no TOML.

    Examples
    --------
    >>> toml = read_toml(b"[ranger]\\nreach_m = 3.0", "run.toml")
    >>> toml.data["ranger"]["reach_m"], toml.line("ranger", "reach_m")
    (3.0, 2)
    """
    if len(content) > MAX_TOML_BYTES:
        words = f"{len(content)} bytes, but at most {MAX_TOML_BYTES} are read"
        raise InputFaults([Fault(words, "readings belong into readings.csv, not here", file)])
    text = decoded(content, file)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise InputFaults([_syntax_fault(text, file, str(problem))]) from None
    except (RecursionError, ValueError) as problem:
        words = f"not TOML: {' '.join(str(problem).split()) or type(problem).__name__}"
        raise InputFaults([Fault(words, "compare it with a sample run's", file)]) from None
    lines, raw = _sure_lines(text, data)
    return TomlText(file, data, lines, raw)


def _syntax_fault(text: str, file: str, problem: str) -> Fault:
    """Return the parser's complaint as a fault; the line only where everything above it parses by itself."""
    found = _PLACE.search(problem)
    words = _KEYS_AS_TUPLE.sub(lambda keys: ".".join(_KEY_PART.findall(keys.group(1).replace("'", ""))), problem)
    words = words[: words.rfind(" (at ")] if found else words
    line = int(found.group(1)) if found and found.group(1) else None
    if line is not None:
        above = "\n".join(text.replace("\r\n", "\n").split("\n")[: line - 1])
        try:
            tomllib.loads(above)
        except (tomllib.TOMLDecodeError, RecursionError, ValueError):
            line = None  # an unclosed bracket or text above: the fault began earlier
    key = next((path for path, at, _ in _walk(text) if at == line and path), None)
    column = None if key is None else ".".join(str(part) for part in key if isinstance(part, str))
    hint = 'a line is key = value; texts stand in "...", numbers as 0.5 (not .5 or 5.)'
    if "overwrite" in words or "twice" in words:
        hint = "each key and each table may be given once"
    return Fault(f"not TOML: {words[:1].lower()}{words[1:]}", hint, file, line, column)


def _sure_lines(text: str, data: Mapping[str, Any]) -> tuple[dict[Path, int], dict[Path, str]]:
    """Return lines and raw values of the keys on whose value the walk below agrees with the parser."""
    lines: dict[Path, int] = {}
    raw: dict[Path, str] = {}
    doubtful: set[Path] = set()
    for path, line, value in _walk(text):
        if path in lines:
            doubtful.add(path)
        known, there = _at(data, path)
        if value is None:
            if there:
                lines.setdefault(path, line)
            continue
        try:
            agrees = there and repr(tomllib.loads(f"v = {value}")["v"]) == repr(known)
        except (tomllib.TOMLDecodeError, RecursionError, ValueError):
            agrees = False
        if agrees:
            lines[path], raw[path] = line, value
    for path in doubtful:
        lines.pop(path, None)
        raw.pop(path, None)
    return lines, raw


def _at(data: Any, path: Path) -> tuple[Any, bool]:
    for part in path:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None, False
    return data, True


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _KEY_PART.findall(dotted))


def _walk(text: str) -> Iterator[tuple[Path, int, str | None]]:
    """Yield (path, line, raw value) of keys and (path, line, None) of table headers, as far as they are plain."""
    rows = text.replace("\r\n", "\n").split("\n")
    table: Path | None = ()
    counted: dict[Path, int] = {}
    at = 0
    while at < len(rows):
        row, line = rows[at], at + 1
        at += 1
        header = _HEADER.fullmatch(row)
        if header and len(header.group(1)) == len(header.group(3)):
            table = _parts(header.group(2))
            if any(table[:n] in counted for n in range(1, len(table))):
                table = None  # a table inside one of a list: not used here, so not followed
                continue
            if header.group(1) == "[[":
                counted[table] = counted.get(table, -1) + 1
                table = (*table, counted[table])
            yield table, line, None
            continue
        key = _KEY.match(row)
        if key is None:
            continue
        value = row[key.end() :]
        while (end := _value_end(value)) is None and at < len(rows):
            value += "\n" + rows[at]
            at += 1
        if end is not None and table is not None:
            yield (*table, *_parts(key.group(1))), line, value[:end].strip()


def _value_end(text: str) -> int | None:
    """Return where a value ends (before a comment); None while a bracket or a text is still open."""
    depth, at = 0, 0
    while at < len(text):
        char = text[at]
        if char in "\"'":
            quote = char * 3 if text.startswith(char * 3, at) else char
            close = _text_end(text, at + len(quote), quote)
            if close is None:
                return None
            at = close
            continue
        if char == "#":
            if depth == 0:
                return at
            newline = text.find("\n", at)
            if newline < 0:
                return None
            at = newline
        depth += (char in "[{") - (char in "]}")
        at += 1
    return at if depth <= 0 else None


def _text_end(text: str, at: int, quote: str) -> int | None:
    """Return the place after a text's closing quotes; None where it does not close."""
    while at < len(text):
        if text[at] == "\\" and quote[0] == '"':
            at += 2
        elif text.startswith(quote, at):
            return at + len(quote)
        else:
            at += 1
    return None
