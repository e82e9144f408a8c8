"""The reference, made from the program itself: nothing stands here that isn't there, and nothing is missing."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from importlib import resources
from typing import Any, get_args

from desurvey import aim, blunders, surface
from desurvey.checks import Limits
from desurvey.exchange import formats
from desurvey.lineup.picks import LineupSettings
from desurvey.problems import Rule
from desurvey.project.settings import Core, FaultEnd, Frame, HistoryPlace, Names
from desurvey.slip import SlipSettings
from desurvey.spread.sigmas import Sigmas
from desurvey.spread.wander import WanderSettings
from desurvey.study import RULES_BY_PART, Study
from desurvey.suspects import table as suspects_table
from desurvey.tables import INTERVALS, TABLES
from desurvey.tables.repairs import Repairs
from desurvey.tables.schema import Column

__all__ = ["LIMITS", "SECTIONS", "attributes", "commands", "outputs", "pages"]

SECTIONS: dict[str, Any] = {
    "frame": Frame,
    "core": Core,
    "history": HistoryPlace,
    "repairs": Names,
    "repairs.TABLE": Repairs,
    "checks": Limits,
    "spread": Sigmas,
    "spread.wander": WanderSettings,
    "suspects": suspects_table.Settings,
    "lineup": LineupSettings,
    "surface": surface.Options,
    "aim": aim.RigLimits,
    "slip": SlipSettings,
    "faults": FaultEnd,
}
"""Sections of ``project.toml`` with fixed keys, and the dataclass that each is read into."""

LIMITS: dict[str, tuple[str, ...]] = {
    "collar_direction": ("collar_turn_deg", "collar_station_m"),
    "collars_together": ("collar_apart_m",),
    "far_collar": ("collar_spacing",),
    "off_topography": ("topography", "topography_m"),
    "late_first_station": ("first_station_m",),
    "station_gap": ("station_gap_m",),
    "unsurveyed_end": ("unsurveyed_m",),
    "dogleg": ("dogleg_b", "dogleg_n", "dogleg_h", "dogleg_p", "dogleg_least_deg"),
    "magnetic_field": ("field_nt",),
    "magnetic_dip": ("field_dip_deg",),
    "instrument_offset": ("instrument_offset_deg",),
    "holes_too_near": ("near_sigmas",),
    "recovery_over": ("recovery_most",),
    "line_offset": ("line_offset_deg",),
    "line_drift": ("line_drift_deg",),
    "few_oriented_metres": ("oriented_share",),
    "steep_gravity_line": ("steep_line_deg",),
    "short_settling": ("settle_s",),
    "interval_gap": ("interval_gap_m",),
}
"""Rule → the keys of ``[checks]`` that it goes by; a rule that isn't here has no limit to set."""


def pages() -> dict[str, str]:
    """Return the made pages, or made parts of pages, as Markdown by name."""
    makers: dict[str, Callable[[], Iterator[str]]] = {
        "commands": _commands, "project_toml": _settings, "inputs": _inputs, "outputs": _outputs, "rules": _rules,
        "blunders": _blunders, "python": _python, "formats": _formats,
    }  # fmt: skip
    return {name: "\n\n".join(make()) + "\n" for name, make in makers.items()}


# -- commands ---


def commands() -> dict[str, Any]:
    """Return the commands of the program by name, those of groups too (``archive trace``); hidden ones left out."""
    found: dict[str, Any] = {}
    for name, command in _tree().items():
        inner = getattr(command, "commands", None)
        group = {f"{name} {own}": one for own, one in inner.items()} if inner else {name: command}
        found |= {full: one for full, one in group.items() if not one.hidden}
    return found


def _tree() -> dict[str, Any]:
    """Return commands and groups. The command line imports this module, so it is asked for by name, and late."""
    tree: dict[str, Any] = importlib.import_module("viewer.cli").commands().commands
    return tree


def _commands() -> Iterator[str]:
    panels = {name: command.rich_help_panel for name, command in _tree().items()}
    order, panel = list(dict.fromkeys(panels.values())), ""
    for name, command in sorted(commands().items(), key=lambda item: order.index(panels[item[0].split()[0]])):
        if panels[name.split()[0]] != panel:
            panel = panels[name.split()[0]]
            yield f"## {panel}"
        yield f"### `lowside {name}`"
        yield from _command(name, command)


def _command(name: str, command: Any) -> Iterator[str]:
    """Give what a command does, how it is called, and its parameters."""
    arguments = [one for one in command.params if one.param_type_name == "argument"]
    shown = "".join(f" {one.metavar or one.name.upper()}" for one in arguments)
    yield _marked(inspect.cleandoc(command.help or ""))
    yield f"    lowside {name}{shown} [OPTIONS]"
    rows = [_parameter(one) for one in command.params if not getattr(one, "hidden", False) and one.name != "help"]
    yield _table(("argument or option", "meaning", "default"), rows)


def _parameter(one: Any) -> tuple[str, str, str]:
    names = " ".join((*one.opts, *one.secondary_opts)) if one.param_type_name == "option" else one.metavar or one.name
    is_flag = getattr(one, "is_flag", False)
    value = "" if is_flag or one.param_type_name == "argument" else f" {_value_of(one)}"
    default = one.default
    said = "" if callable(default) or default in (None, "", False, ()) or is_flag else f"`{_toml(default)}`"
    return f"`{names}{value}`", _marked(getattr(one, "help", "") or ""), "required" if one.required else said


def _value_of(one: Any) -> str:
    """Return what stands for the value of an option; typer has changed where it keeps the type."""
    if one.metavar:
        return str(one.metavar)
    described = getattr(one, "type_descriptor", None)
    choices = getattr(getattr(one, "type", None), "choices", ()) or get_args(getattr(described, "annotation", None))
    return "/".join(str(choice) for choice in choices) or (
        "NUMBER" if isinstance(one.default, (int, float)) else "TEXT"
    )


def _marked(text: str) -> str:
    """Return a help text of the terminal as Markdown."""
    return re.sub(r"\[/?bold\]", "**", text).replace("\\[", "\\[")


# -- settings ---


def attributes(kind: type) -> dict[str, str]:
    """Return what a docstring says of each attribute of a class, those of the classes it is made from among it."""
    found: dict[str, str] = {}
    for one in reversed(kind.__mro__[:-1]):
        body = inspect.cleandoc(one.__doc__ or "").partition("Attributes\n----------\n")[2]
        for block in re.finditer(r"^([\w, ]+?)(?: : [^\n]*)?\n((?:    .*\n?|\n(?=    ))*)", body + "\n", re.MULTILINE):
            meaning = " ".join(line.strip() for line in block[2].splitlines())
            found |= {name.strip(): meaning for name in block[1].split(",")}
    return found


def _settings() -> Iterator[str]:
    for section, kind in SECTIONS.items():
        yield f"## `{section}`"
        about = inspect.cleandoc(kind.__doc__ or "").partition("Attributes\n---")[0].strip()
        yield _rst(about)
        for name, item, value in _keys(kind):
            yield f"### `{section}.{name}`"
            yield _key(attributes(item[0])[item[1].name], item[1], value)


def _keys(kind: type) -> Iterator[tuple[str, tuple[type, Any], Any]]:
    """Give the keys of a section with the class and the field that each comes from; nested sections by a dot."""
    for item in dataclasses.fields(kind):
        default = item.default
        if dataclasses.is_dataclass(default):
            for inner in dataclasses.fields(default):
                yield f"{item.name}.{inner.name}", (type(default), inner), getattr(default, inner.name)
        elif item.name != "wander":
            made = item.default_factory() if item.default_factory is not dataclasses.MISSING else default
            yield item.name, (kind, item), made


def _key(meaning: str, item: Any, value: Any) -> str:
    lines = [_rst(meaning)]
    lines.append("No default: it has to be said." if value is dataclasses.MISSING else f"Default: `{_toml(value)}`.")
    if "low" in item.metadata:
        lines.append(f"Between {item.metadata['low']:g} and {item.metadata['high']:g}.")
    if "source" in item.metadata:
        lines.append(f"Source: {item.metadata['source']}.")
    return "\n".join(lines)


# -- tables ---


def _inputs() -> Iterator[str]:
    for table, columns in {**TABLES, "intervals": INTERVALS}.items():
        yield f"## `{table}`"
        for column in columns:
            yield f"### `{table}.{column.name}`"
            yield _column(column)


def _column(column: Column) -> str:
    lines = [f"{column.meaning[0].upper()}{column.meaning[1:]}."]
    lines += ["**Required.**"] if column.required else []
    if column.choices:
        lines.append("One of " + ", ".join(f"`{choice}`" for choice in column.choices) + ".")
    elif column.kind == "number":
        unit = {"m": " metres", "deg": "°"}.get(column.unit, "")
        lines.append(
            f"A number from {column.low:,.0f} to {column.high:,.0f}{unit}." if column.high < 1e6 else "A number."
        )
    elif column.kind == "date":
        lines.append("A date.")
    if column.stops != "nothing":
        lines.append(f"What is wrong here stops its {column.stops}.")
    return " ".join(lines)


def outputs() -> dict[str, dict[str, str]]:
    """Return the columns of each table that the program writes, with their meaning (``outputs.toml``)."""
    text = resources.files("viewer.handbook").joinpath("outputs.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _outputs() -> Iterator[str]:
    for table, columns in outputs().items():
        yield f"## `{table}`"
        yield columns["about"]
        for name, meaning in columns.items():
            if name != "about":
                yield f"### `{table}.{name}`"
                yield meaning


# -- rules and blunders ---


def _rules() -> Iterator[str]:
    for part, rules in RULES_BY_PART.items():
        yield f"## {part[0].upper()}{part[1:]}"
        for rule in rules:
            yield f"### `{rule.id}`"
            yield _rule(rule)


def _rule(rule: Rule) -> str:
    stops = "stops nothing" if rule.stops == "nothing" else f"stops its {rule.stops}"
    lines = [
        f"*{rule.severity}*, {stops}.",
        f"**Why:** {_rst(rule.reason)}.",
        f"**What to do:** {_rst(rule.suggestion)}.",
        *(_limit(key) for key in LIMITS.get(rule.id, ())),
    ]
    return "\n\n".join(lines)


def _limit(key: str) -> str:
    item = next(one for one in dataclasses.fields(Limits) if one.name == key)
    source = f" Source: {item.metadata['source']}." if "source" in item.metadata else ""
    return f"**Limit:** [`checks.{key}`](project_toml.md#checks.{key}), `{_toml(item.default)}`.{source}"


def _blunders() -> Iterator[str]:
    for row in blunders.TABLE:
        yield f"## `{row.name}`"
        yield f"{row.short[0].upper()}{row.short[1:]}. {_undone(row)}"
        said = [
            (scope, f"{seen.rate:g}", f"… agree with their neighbours if {seen.sentence.format(**EXAMPLE)}")
            for scope, seen in row.seen.items()
        ]
        yield _table(("looked for in each", "prior probability", "what is said"), said)
        yield "The priors are common practice, no source; the share of blunders is then learnt from the project."


EXAMPLE = {"turn": 12.0, "off": 58.0, "sigma": 6.0, "way": "anticlockwise", "side": "on the high side"}
"""What stands in a blunder's sentence where the program puts what it has found."""


def _undone(row: blunders.Blunder) -> str:
    """Return how a blunder is put right, worked out by the very function that does it."""
    turn = 20.0 if row.free else row.turn
    if row.core is not None:
        alpha, beta = (float(value[0]) for value in blunders.corrected([30.0], [40.0], row.name, turn))
        with_turn = " with a `roll_deg` of 20" if row.free else ""
        return f"Put right{with_turn}, alpha 30°, beta 40° become alpha {alpha:g}°, beta {beta:g}°."
    if row.survey is not None:
        azimuth, dip = (float(value[0]) for value in blunders.redirected([30.0], [-60.0], row.name, turn))
        with_turn = " by 20°" if row.free else ""
        return f"Put right{with_turn}, azimuth 30°, dip −60° become azimuth {azimuth:g}°, dip {dip:g}°."
    return "Put right, the station is left out."


# -- Python, formats ---


def _python() -> Iterator[str]:
    for name, member in inspect.getmembers(Study):
        if not name.startswith("_") and inspect.getdoc(member) and (callable(member) or _is_value(member)):
            called = f"study.{name}{_signature(member)}" if callable(member) else f"study.{name}"
            yield f"## `{called}`"
            yield _numpydoc(inspect.getdoc(member) or "")


def _is_value(member: object) -> bool:
    return isinstance(member, property) or type(member).__name__ == "cached_property"


def _signature(member: Any) -> str:
    names = [one for one in inspect.signature(member).parameters.values() if one.name != "self"]
    return "(" + ", ".join(one.name for one in names) + ")"


def _numpydoc(text: str) -> str:
    """Return a docstring as Markdown: names of sections bold, parameters as a list, examples as code."""
    lines: list[str] = []
    section = ""
    for line in _rst(text).splitlines():
        if re.fullmatch(r"-{3,}", line):
            section = lines.pop()
            lines += ["", f"**{section}**", ""]
        elif line.startswith(">>>") or (section == "Examples" and line):
            lines.append(f"    {line}")
        elif section in {"Parameters", "Attributes", "Raises", "Returns"} and line and not line.startswith(" "):
            lines.append(f"- `{line}`")
        else:
            lines.append(line)
    return "\n".join(lines)


def _formats() -> Iterator[str]:
    for one in formats.FORMATS:
        yield f"## `{one.ending}`"
        holds = [words for words, given in WRITES.items() if getattr(one, given)]
        yield f"{one.name}. Holds {', '.join(holds)}."
        yield "\n".join(
            f"- {said}: {text}"
            for said, text in (
                ("keeps", ", ".join(one.keeps.split())), ("loses", one.loses), ("coordinate system and unit", one.frame)
            )
            if text
        )  # fmt: skip


WRITES = {"a whole model": "model", "a surface": "surface", "contours": "lines", "a table": "table"}
"""What a format can hold, and the field of its row that says so."""


# -- Markdown ---


def _rst(text: str) -> str:
    """Return a docstring's marks as Markdown's."""
    text = re.sub(r":\w+:`[~.]?([^`<]+)`", r"`\1`", text)
    return text.replace("``", "`")


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (tuple, list)):
        return " ".join(f"{one}" for one in value) if value else "[]"
    return f'"{value}"' if isinstance(value, str) else "{}" if isinstance(value, dict) else f"{value}"


def _table(headings: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    cells = [headings, tuple("---" for _ in headings), *rows]
    return "\n".join(
        "| " + " | ".join(" ".join(cell.split()).replace("|", "\\|") for cell in row) + " |" for row in cells
    )
