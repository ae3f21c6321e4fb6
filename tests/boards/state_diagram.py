"""The diagram of a session's states as text, from the table: `python -m tests.boards.state_diagram`."""

from __future__ import annotations

from bridge.boards.state import TRANSITIONS, State


def diagram() -> str:
    """For every state the triggers that lead to another one; staying is left out."""
    lines = []
    for state in State:
        lines.append(state.value)
        for after in State:
            triggers = [t.value for (s, t), a in TRANSITIONS.items() if s is state and a is after]
            if triggers and after is not state:
                lines.append(f"    {', '.join(triggers)} -> {after.value}")
    return "\n".join(lines)


if __name__ == "__main__":
    print(diagram())
