"""Ready gauges: what is the same for everyone, as data. A gauge of a panel is `like` one, and differs.

Each is a file of `bridge/panel/gauges/`: keys of `[gauges.NAME]`, its `meaning` in a line and the `source`
of its scale and arcs. `expanded` puts what a panel's file has over it, table by table; a list or a value
replaces the whole list or value, `false` takes a table of the ready gauge out.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

from bridge.description import near
from bridge.errors import DescriptionError, DescriptionErrors

Table = Mapping[str, Any]

_FOLDER = resources.files("bridge.panel").joinpath("gauges")
_ENDING = ".toml"


@dataclass(frozen=True, slots=True)
class ReadyGauge:
    """One gauge of the library: `described` are the keys that it fills in."""

    name: str
    meaning: str
    source: str
    described: Table


@cache
def ready_names() -> tuple[str, ...]:
    """The names of all ready gauges, in order of the alphabet."""
    files = (file.name for file in _FOLDER.iterdir())
    return tuple(sorted(name.removesuffix(_ENDING) for name in files if name.endswith(_ENDING)))


@cache
def ready_gauge(name: str) -> ReadyGauge:
    """The ready gauge of this name, one of `ready_names`; it is shared and must not be changed."""
    described = tomllib.loads(_FOLDER.joinpath(name + _ENDING).read_text(encoding="utf-8"))
    return ReadyGauge(name, described.pop("meaning"), described.pop("source"), described)


@dataclass(frozen=True, slots=True)
class Origins:
    """Which values of a description come from ready gauges: all that the panel's own `gauges` lack."""

    where: str = ""
    gauges: Table = field(default_factory=dict)

    def named(self, error: DescriptionError) -> DescriptionError:
        """The same error; where a ready gauge has the value that it is about, its key names that gauge."""
        first, *path = error.key.split(".")
        own = self.gauges.get(path[0]) if first == "gauges" and path and error.where == self.where else None
        name = own.get("like") if isinstance(own, dict) else None
        if name not in ready_names() or not _is_from(ready_gauge(name).described, own, path[1:]):
            return error
        key = f"{error.key} (from the ready gauge {name!r}; write that key to differ)"
        return DescriptionError(error.where, key, error.found, error.expected, error.cure)

    def all_named(self, errors: DescriptionErrors) -> DescriptionErrors:
        """The same errors, each `named`."""
        return DescriptionErrors([self.named(error) for error in errors.errors], errors.more)


def expanded(data: Table, where: str) -> tuple[Table, Origins]:
    """A panel's data with every gauge that is `like` a ready one filled in, and what came from where.

    Raises `DescriptionErrors` for a name that no ready gauge has, and for a unit beside readings in another.
    What has a wrong form is left as it is, for the models to refuse.
    """
    gauges = data.get("gauges")
    if not isinstance(gauges, dict):
        return data, Origins(where)
    wrong: list[DescriptionError] = []
    filled = {}
    for gauge, own in gauges.items():
        name = own.get("like") if isinstance(own, dict) else None
        if not isinstance(name, str):
            filled[gauge] = own
        elif name in ready_names():
            wrong += _units_alone(ready_gauge(name), own, where, f"gauges.{gauge}")
            filled[gauge] = _over(_less_of_its_readings(ready_gauge(name).described, own), own)
        else:
            found, cure = f"an unknown ready gauge {name!r}", near(name, ready_names())
            wrong.append(DescriptionError(where, f"gauges.{gauge}.like", found, "a ready gauge", cure))
    if wrong:
        raise DescriptionErrors(wrong)
    return {**data, "gauges": filled}, Origins(where, gauges)


_IN_POINTERS, _ON_FACES = ("per_turn", "scale"), ("scales", "bands", "limits", "speeds")


def _units_alone(ready: ReadyGauge, own: Table, where: str, key: str) -> Iterator[DescriptionError]:
    """Pointers with a unit of their own whose readings would still be the ready gauge's, in another unit."""
    pointers, face = own.get("pointers"), own.get("face", {})
    for name, pointer in pointers.items() if isinstance(pointers, dict) else ():
        if not isinstance(pointer, dict) or "unit" not in pointer:
            continue
        described = ready.described["pointers"].get(name, {})
        kept = [
            f"pointers.{name}.{word}" for word in _IN_POINTERS if word in described and word not in pointer
        ]
        if isinstance(face, dict):
            kept += [
                f"face.{word}" for word in _ON_FACES if word in ready.described["face"] and word not in face
            ]
        if kept:
            found = f"a unit of its own beside {', '.join(kept)} of the ready gauge {ready.name!r}"
            cure = "Write them as well in that unit, face = false for a face made from the scale, or no unit"
            yield DescriptionError(where, f"{key}.pointers.{name}.unit", found, "readings in one unit", cure)


def _less_of_its_readings(ready: Table, own: Table) -> Table:
    """The ready gauge without the tolerance of pointers for which the builder writes other readings: it is
    that of the ready scale. In another unit the place to park and the fastest change are others, too."""
    pointers, written = dict(ready["pointers"]), own.get("pointers")
    for name, pointer in written.items() if isinstance(written, dict) else ():
        if not isinstance(pointer, dict) or not isinstance(pointers.get(name), dict):
            continue
        lost = {"tolerance"} if {"unit", *_IN_POINTERS} & pointer.keys() else set()
        lost |= {"park", "fastest"} if "unit" in pointer else set()
        pointers[name] = {key: value for key, value in pointers[name].items() if key not in lost}
    return {**ready, "pointers": pointers}


def _over(ready: Table, own: Table) -> dict[str, Any]:
    """`own` over `ready`, table by table; the order is that of the ready one, then of what is new."""
    merged = {**ready, **own}
    for key, base in ready.items():
        if isinstance(base, dict) and key in own:
            if own[key] is False:
                del merged[key]
            elif isinstance(own[key], dict):
                merged[key] = _over(base, own[key])
    return merged


def _is_from(ready: Any, own: Any, path: list[str]) -> bool:
    """Whether the value at the end of this path is one that `ready` has and `own` lacks."""
    for part in path:
        if not isinstance(own, dict) or not isinstance(ready, dict) or part not in ready:
            return False  # written by the builder, or by nobody
        if part not in own:
            return True
        ready, own = ready[part], own[part]
    return False
