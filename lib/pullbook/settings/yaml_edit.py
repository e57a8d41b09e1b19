"""Change single values in ``experiment.yaml`` and leave every other character of the file as it is.

The text is cut where the YAML parser says that a value stands, so comments, order, quotes and line ends stay. What
comes out is read again and must hold exactly what was asked for; otherwise nothing is changed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pullbook.errors import ExperimentError
from pullbook.settings.experiment import FILE_NAME, parse_settings

Value = str | float | Sequence[float] | Mapping[str, str] | None
Place = tuple[str | int, ...]
Node = Any  # of ruamel.yaml, whose kinds of node have no common type that knows their attributes


@dataclass(frozen=True)
class Edit:
    """One value to be set, or taken out where ``value`` is None.

    Attributes
    ----------
    place : tuple
        Keys and positions in lists from the top, such as ``("sessions", 0, "leave_out", "pull 3")``.
    value : str, float, sequence of float, mapping or None
        None takes the key out.
    """

    place: Place
    value: Value


def with_edits(text: str, edits: Iterable[Edit]) -> str:
    r"""Return the text of ``experiment.yaml`` with values set or taken out.

    Parameters
    ----------
    text : str
    edits : iterable of Edit
        All but the last part of a place has to be there; a mapping for the last part may be missing, and is then made.

    Returns
    -------
    str

    Raises
    ------
    ExperimentError
        When the file is written so that a value cannot be set alone (shared by an alias, say); the message holds what
        to change by hand.

    Examples
    --------
    >>> from pullbook.settings.yaml_edit import Edit, with_edits
    >>> text = "protocol:\n  cruise_kmh: 90  # as on the motorway\n"
    >>> print(with_edits(text, [Edit(("protocol", "cruise_kmh"), 100)]), end="")
    protocol:
      cruise_kmh: 100  # as on the motorway
    """
    edits = list(edits)
    wanted = _unshared(parse_settings(text))
    changed = text
    for edit in edits:
        put(wanted, edit)
        changed = _with_edit(changed, edit)
    if not _reads_as(changed, wanted):
        by_hand = "\n".join(f"  {'.'.join(map(_counted, e.place))}: {_written(e.value)}" for e in edits)
        raise ExperimentError(
            f"{FILE_NAME}: these values cannot be changed without touching others, so nothing was saved. Change them "
            "by hand:\n" + by_hand
        )
    return changed


def with_item(text: str, key: str, item: Mapping[str, str | float], *, notes: Sequence[str] = ()) -> str:
    r"""Return the text of ``experiment.yaml`` with one more item at the end of a list.

    Parameters
    ----------
    text : str
    key : str
        Of the list, at the top of the file; it holds at least one item.
    item : mapping of str to str or float
        Written a key a line, as the items of such a list usually are; in brackets where the list is.
    notes : sequence of str
        Comments to put under it, in a list that is not in brackets.

    Returns
    -------
    str

    Raises
    ------
    ExperimentError
        When the list is written so that nothing can be added alone; the message holds what to add by hand.

    Examples
    --------
    >>> from pullbook.settings.yaml_edit import with_item
    >>> text = "sessions:\n  - name: a\n    # cold\nunits: metric\n"
    >>> print(with_item(text, "sessions", {"name": "b"}), end="")
    sessions:
      - name: a
        # cold
      - name: b
    units: metric
    """
    wanted = _unshared(parse_settings(text))
    wanted[key] = [*wanted[key], dict(item)]
    node = _child(_composed(text), key)
    changed = text
    if node is not None and isinstance(node.value, list) and node.value:
        changed = _with_item(text, node, item, notes)
    if not _reads_as(changed, wanted):
        raise ExperimentError(
            f"{FILE_NAME}: nothing can be added to {key!r} without touching other lines, so nothing was saved. "
            f"Add this by hand:\n  - {_written(item)}"
        )
    return changed


def _with_item(text: str, node: Node, item: Mapping[str, str | float], notes: Sequence[str]) -> str:
    """Put an item after a list's last one, and after the comments below that."""
    if node.flow_style:
        inside = text[: node.end_mark.index - 1].rstrip()
        return f"{inside.removesuffix(',')}, {_written(item)}{text[node.end_mark.index - 1 :]}"
    newline = "\r\n" if "\r\n" in text else "\n"
    column = node.start_mark.column
    end = text.find("\n", _end(text, node))
    head, rest = (text, "") if end < 0 else (text[: end + 1], text[end + 1 :])
    while rest and _is_comment_inside(line := rest.split("\n", 1)[0], column):
        head, rest = head + rest[: len(line) + 1], rest[len(line) + 1 :]
    if not head.endswith("\n"):
        head += newline
    lines = [f"{_written(name)}: {_written(value)}" for name, value in item.items()] + [f"# {note}" for note in notes]
    block = "".join(f"{' ' * column}{'  ' if k else '- '}{line}{newline}" for k, line in enumerate(lines))
    return head + block + rest


def _is_comment_inside(line: str, column: int) -> bool:
    stripped = line.lstrip(" ")
    return stripped.startswith("#") and len(line) - len(stripped) > column


def _reads_as(text: str, wanted: Any) -> bool:
    """Say whether a text holds exactly what it should."""
    try:
        return bool(parse_settings(text) == wanted)
    except ExperimentError:
        return False


def _unshared(value: Any) -> Any:
    """Copy plain values so that what an alias shares is there twice."""
    if isinstance(value, dict):
        return {key: _unshared(item) for key, item in value.items()}
    return [_unshared(item) for item in value] if isinstance(value, list) else value


def _counted(part: str | int) -> str:
    return str(part + 1) if isinstance(part, int) else part


def put(settings: Any, edit: Edit) -> None:
    """Set or take out one of plain settings, as `with_edits` does in the text.

    Parameters
    ----------
    settings : dict or list
        Plain values from `parse_settings`; changed in place.
    edit : Edit
    """
    *way, last = edit.place
    for part in way:
        if isinstance(settings, dict) and settings.get(str(part)) is None:
            if edit.value is None:
                return
            settings[str(part)] = {}
        settings = settings[part]
    if edit.value is None:
        settings.pop(last, None)
    else:
        settings[last] = list(edit.value) if isinstance(edit.value, tuple) else edit.value


def _with_edit(text: str, edit: Edit) -> str:
    node = _composed(text)
    *way, last = edit.place
    for depth, part in enumerate(way):
        found = node.value[part] if isinstance(part, int) else _child(node, part)
        if found is None or _is_empty(found):
            # Not there, or `key:` with nothing after it: the whole of what is missing goes in at once.
            if edit.value is None:
                return text
            value: Any = edit.value
            for key in reversed(edit.place[depth + 1 :]):
                value = {str(key): value}
            return _put(text, node, str(part), value)
        node = found
    if edit.value is None:
        return _without(text, node, str(last))
    return _put(text, node, str(last), edit.value)


def _composed(text: str) -> Node:
    from ruamel.yaml import YAML

    return YAML(typ="safe", pure=True).compose(text)


def _child(node: Node, key: str) -> Node | None:
    return next((value for name, value in node.value if name.value == key), None)


def _is_empty(node: Node) -> bool:
    return bool(node.tag == "tag:yaml.org,2002:null")


def _put(text: str, node: Node, key: str, value: Value | Mapping[str, Any]) -> str:
    """Set a key of a mapping: in the place of its old value, else after the mapping's last one."""
    for name, old in node.value:
        if name.value == key and old.start_mark.index == old.end_mark.index:  # nothing after the colon
            colon = text.index(":", name.end_mark.index) + 1
            return f"{text[:colon]} {_written(value)}{text[colon:]}"
        if name.value == key:
            return text[: old.start_mark.index] + _written(value) + text[_end(text, old) :]
    entry = f"{_written(key)}: {_written(value)}"
    if node.flow_style:
        inside = text[: node.end_mark.index - 1].rstrip()
        comma = "" if inside.endswith(("{", ",")) else ","
        space = "" if inside.endswith("{") else " "
        return inside + comma + space + entry + text[node.end_mark.index - 1 :]
    first, _ = node.value[0]
    end = text.find("\n", _end(text, node))
    newline = "\r\n" if "\r\n" in text else "\n"
    head, rest = (text, "") if end < 0 else (text[: end + 1], text[end + 1 :])
    if not head.endswith("\n"):
        head += newline
    return f"{head}{' ' * first.start_mark.column}{entry}{newline}{rest}"


def _without(text: str, node: Node, key: str) -> str:
    """Take a key out of a mapping, with its line's comment; of a mapping in braces with one comma."""
    position = next((k for k, (name, _) in enumerate(node.value) if name.value == key), None)
    if position is None:
        return text
    name, value = node.value[position]
    start, end = name.start_mark.index, _end(text, value)
    if node.flow_style:
        if position + 1 < len(node.value):
            return text[:start] + text[node.value[position + 1][0].start_mark.index :]
        before = text[:start].rstrip()
        return before.removesuffix(",") + text[end:]
    if len(node.value) == 1:  # the mapping stays, empty
        return text[:start] + "{}" + text[end:]
    line_end = text.find("\n", end)
    return text[: start - name.start_mark.column] + ("" if line_end < 0 else text[line_end + 1 :])


def _end(text: str, node: Node) -> int:
    """Return where a node's last value ends; the parser counts comments and blank lines to blocks."""
    while not isinstance(node.value, str) and not node.flow_style and node.value:
        last = node.value[-1]
        node = last[1] if isinstance(last, tuple) else last
    end: int = node.end_mark.index
    return len(text[:end].rstrip()) if isinstance(node.value, str) and node.style in ("|", ">") else end


def _written(value: Any) -> str:
    """Write a value as YAML on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_written(k)}: {_written(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_written, value)) + "]"
    if isinstance(value, str):
        return value if _plain(value) else _quoted(value)
    if value is None:
        return "(taken out)"
    return str(int(value)) if float(value).is_integer() else repr(value)


def _quoted(text: str) -> str:
    kept = text.replace("\\", r"\\").replace('"', r"\"")
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in kept) + '"'


def _plain(text: str) -> bool:
    """Say whether a text of letters, digits, single spaces and a few harmless signs means itself without quotes."""
    if not re.fullmatch(r"[A-Za-z][\w./-]*( \w+)*", text, flags=re.ASCII):
        return False
    return parse_settings(f"x: {text}") == {"x": text}
