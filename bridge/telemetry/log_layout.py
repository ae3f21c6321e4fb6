"""Log layouts: a TOML file that says what is in a flight log of another maker.

kind = "igc"
[codes]
TAS = { quantity = "true_airspeed", unit = "km/h", scale = 0.1 }
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from bridge.description import MistakeError, StrictModel, near, read_toml, validate
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.conversion import TIME, make_measure
from bridge.telemetry.layout_description import FieldDescription

Code = Annotated[str, StringConstraints(pattern=r"^[A-Z0-9]{3}$")]


class IgcCodes(StrictModel):
    """What the three-letter codes in the fixes of an IGC file mean, instead of the usual."""

    kind: Literal["igc"]
    codes: Annotated[dict[Code, FieldDescription], Field(min_length=1)]

    @property
    def fields(self) -> Mapping[str, FieldDescription]:
        """What it describes, by dotted key."""
        return {f"codes.{code}": field for code, field in self.codes.items()}


LOG_LAYOUTS: dict[str, type[IgcCodes]] = {"igc": IgcCodes}
LogLayout = IgcCodes


def load_log_layout(path: Path, catalogue: Catalogue) -> LogLayout:
    """The log layout in this file; raises `DescriptionErrors` with every mistake found."""
    where = str(path)
    try:
        data = read_toml(path)
    except DescriptionError as error:
        raise DescriptionErrors([error]) from None
    model = LOG_LAYOUTS.get(str(data.get("kind")))
    if model is None:
        found = repr(data["kind"]) if "kind" in data else "nothing"
        cure = near(str(data.get("kind", "")), list(LOG_LAYOUTS))
        expected = f"one of {', '.join(LOG_LAYOUTS)}"
        raise DescriptionErrors([DescriptionError(where, "kind", found, expected, cure)])
    described = validate(model, data, where)
    errors: list[DescriptionError] = []
    for key, field in described.fields.items():
        try:
            make_measure(field.quantity, field.unit, catalogue, field.scale)
        except MistakeError as wrong:
            part = "unit" if field.quantity == TIME or field.quantity in catalogue else "quantity"
            errors.append(DescriptionError(where, f"{key}.{part}", wrong.found, wrong.expected, wrong.cure))
    if errors:
        raise DescriptionErrors(errors)
    return described
