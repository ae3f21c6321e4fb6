"""Log layouts: a TOML file that states what is in a flight log of another maker.

kind = "table"                                      kind = "igc"
separator = ";"                                     [codes.TAS]
time = { label = "UTC", written = "clock" }         quantity = "true_airspeed"
[[fields]]                                          unit = "km/h"
label = "Altitude (m)"                              scale = 0.1
quantity = "pressure_altitude"
unit = "m"
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from bridge.description import MistakeError, StrictModel, load_kind, raise_faults
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.conversion import TIME, make_measure, wrong_part
from bridge.telemetry.layout_description import Column, Count, Fault, FieldDescription, Text
from bridge.telemetry.mavlink_description import Mavlink

Code = Annotated[str, StringConstraints(pattern=r"^[A-Z0-9]{3}$")]


class IgcCodes(StrictModel):
    """What the three-letter codes in the fixes of an IGC file mean, instead of the usual."""

    kind: Literal["igc"]
    """The log of a flight recorder."""
    codes: Annotated[dict[Code, FieldDescription], Field(min_length=1)]
    """Numbers to take by their three-letter code, as in `{ TAS = { quantity = "true_airspeed", unit = "km/h",
    scale = 0.1 } }`."""

    @property
    def described(self) -> Mapping[str, FieldDescription]:
        """The fields by dotted key."""
        return {f"codes.{code}": field for code, field in self.codes.items()}

    def faults(self) -> Iterator[Fault]:
        """Mistakes that only show when fields are seen together."""
        yield from ()


class TableColumn(StrictModel):
    """A column of a table, by label or by place from 1."""

    label: Text | None = None
    """The label of its column, as in `"UTC"`."""
    column: Count | None = None
    """Its place, from 1, as in `1`."""

    @model_validator(mode="after")
    def _placed(self) -> TableColumn:
        if (self.label is None) == (self.column is None):
            raise MistakeError("neither or both of label and column", "one of them", "Name one")
        return self


class TimeColumn(TableColumn):
    """Where a table has the time, by label or by place from 1, and how it is written.

    As a `number` of `unit`, as a date and time of ISO 8601 (UTC where no offset is written), or as a `clock`,
    hh:mm:ss with or without decimals, also across midnight.
    """

    written: Literal["number", "iso8601", "clock"] = "number"
    """How the time is written: a number, a date and time, or hh:mm:ss."""
    unit: str = "s"
    """Of a number."""


class PlaceColumns(StrictModel):
    """Where a table has place and day of the flight, from which the magnetic variation is worked out.

    The first row that has them counts.
    """

    latitude: TableColumn
    """In degrees with decimals, north positive, as in `{ label = "Lat" }`."""
    longitude: TableColumn
    """In degrees with decimals, east positive, as in `{ label = "Lon" }`."""
    date: TableColumn | None = None
    """Written YYYY-MM-DD; not needed where the time is written in ISO 8601, as in `{ label = "Date" }`."""

    @property
    def columns(self) -> Mapping[str, TableColumn]:
        """Those that are described, by key."""
        date = {} if self.date is None else {"date": self.date}
        return {"latitude": self.latitude, "longitude": self.longitude, **date}


class TableColumns(StrictModel):
    """A table of one line a moment: where its columns are, and what they mean.

    A `separator` of one space means any run of blanks; with `widths`, in characters, columns are below each
    other instead. The first `skip` lines, blank ones and those that start with `comment` are skipped; the
    next is the header with the labels, unless `header` is false. `decimal` is the mark before a number's
    decimals.
    """

    kind: Literal["table"]
    """A table of one line a moment."""
    separator: Text = ","
    """Between columns; one space means any run of blanks."""
    widths: Annotated[list[Count], Field(min_length=1)] | None = None
    """Of the columns, in characters, where they are below each other, as in `[8, 6, 6]`."""
    decimal: Literal[".", ","] = "."
    """The mark before a number's decimals."""
    comment: str = ""
    """Lines that start with it are skipped, as in `"#"`."""
    skip: Annotated[int, Field(ge=0)] = 0
    """How many lines there are before the header."""
    header: bool = True
    """Whether there is a line of labels."""
    time: TimeColumn
    """Where the time is, as in `{ label = "UTC", written = "clock" }`."""
    place: PlaceColumns | None = None
    """Where place and day are, as in `{ latitude = { label = "Lat" }, longitude = { label = "Lon" },
    date = { label = "Date" } }`."""
    fields: Annotated[list[Column], Field(min_length=1)]
    """Numbers to take, as in `[{ quantity = "pitch", unit = "deg", label = "Pitch" }]`."""

    @property
    def described(self) -> Mapping[str, FieldDescription]:
        """The fields by dotted key."""
        time = FieldDescription(quantity=TIME, unit=self.time.unit)
        return {"time": time} | {f"fields.{i}": field for i, field in enumerate(self.fields)}

    def faults(self) -> Iterator[Fault]:
        """Mistakes that only show when fields are seen together."""
        seen: set[str] = set()
        for i, field in enumerate(self.fields):
            if field.quantity in seen or field.quantity == TIME:
                cure = "Take one of the two out"
                found = f"{field.quantity} a second time"
                yield f"fields.{i}.quantity", MistakeError(found, "each quantity once", cure)
            seen.add(field.quantity)
        placed: dict[str, TableColumn | Column] = {"time": self.time}
        placed |= {f"fields.{i}": field for i, field in enumerate(self.fields)}
        if self.place is not None:
            placed |= {f"place.{key}": column for key, column in self.place.columns.items()}
            if self.place.date is None and self.time.written != "iso8601":
                found = "a place without its date"
                cure = 'Add date = { label = "Date" }, or take place out'
                yield "place", MistakeError(found, "the column of the date, YYYY-MM-DD", cure)
        for key, place in placed.items():
            if not self.header and place.column is None:
                yield (
                    f"{key}.label",
                    MistakeError("a label", "a column: there is no header", "Name the column"),
                )
            if self.widths and place.column and place.column > len(self.widths):
                found, expected = (
                    f"column {place.column}",
                    f"at most {len(self.widths)}, the number of widths",
                )
                yield f"{key}.column", MistakeError(found, expected, "Change one of them")
        if self.decimal == self.separator and not self.widths:
            yield (
                "decimal",
                MistakeError(f"{self.decimal!r}, as the separator", "two different marks", "Change one"),
            )


LogLayout = IgcCodes | TableColumns | Mavlink
LOG_LAYOUTS: dict[str, type[LogLayout]] = {"igc": IgcCodes, "table": TableColumns, "mavlink": Mavlink}


def load_log_layout(path: Path, catalogue: Catalogue) -> LogLayout:
    """The log layout in this file; raises `DescriptionErrors` with every mistake found."""
    layout = load_kind(LOG_LAYOUTS, path)
    faults = list(layout.faults())
    for key, field in layout.described.items():
        try:
            make_measure(field.quantity, field.unit, catalogue, field.scale)
        except MistakeError as wrong:
            faults.append((f"{key}.{wrong_part(field.quantity, catalogue)}", wrong))
    raise_faults(str(path), faults)
    return layout
