"""How far needles are from the truth in flight: `python -m tests.benchmarks.error`.

Shipped flights, 20 samples a second that arrive 0 to 30 ms late, 2 % lost: what the product's motion makes of
them beside a follower that holds the last target. The truth is the flight itself at the same moment. Only
motion is judged; `motion_study` has the other candidates, and shapes of known formula.
"""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from tests.benchmarks.motion_study import candidates, fly, recorded


def main() -> None:
    table = Table("flight and pointer", title="Pointer error on shipped flights")
    for head in ("", "RMS", "worst", "roughness, /s"):
        table.add_column(head, justify="right" if head else "left")
    made = candidates()
    for truth in recorded():
        for what, name, stamped in (
            ("hold last", "hold last, at once", False),
            ("Pointer Bridge", "Motion", False),
            ("the same, sender's time sent", "Motion", True),
        ):
            outcome = fly(truth, made[name], stamped)
            figures = (f"{figure:.2f}" for figure in (outcome.rms, outcome.worst, outcome.rough))
            table.add_row(truth.name if what == "hold last" else "", what, *figures)
        table.add_section()
    Console().print(table)


if __name__ == "__main__":
    main()
