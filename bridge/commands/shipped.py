"""The panel and flights that come with the project: what `demo` flies, and the default panel."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PANEL = Path("config/panel.toml")
"""The panel that a command takes when none is named, from the folder it is started in."""
DEMO_PANEL = ROOT / "config" / "panel.toml"
DEMO_FLIGHT = ROOT / "replay_logs" / "circuit.csv"
