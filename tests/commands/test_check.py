"""The command: exit codes, files, and words for what can't be understood."""

from __future__ import annotations

import argparse
import json
from html.parser import HTMLParser
from pathlib import Path

import pytest

from bridge.check.findings import SEVERITIES, Finding
from bridge.check.html import to_html
from bridge.check.report import summary, to_json
from bridge.commands import check as command
from bridge.errors import BridgeError

HERE = Path(__file__).parents[1] / "check"


def run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    return command.run(parser.parse_args([str(word) for word in words]))


class _Tree(HTMLParser):
    """Fails on tags that do not close in order; gathers the table's cells."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_a_panel_with_a_failure_ends_in_exit_code_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html, as_json = tmp_path / "check.html", tmp_path / "check.json"
    panel = str(HERE / "clockwork.toml")
    assert run(panel, "--html", str(html), "--json", str(as_json)) == 1
    assert "1 failure" in capsys.readouterr().out
    body = json.loads(as_json.read_text(encoding="utf-8"))
    assert body["counts"]["failure"] == 1
    failure = next(f for f in body["findings"] if f["severity"] == "failure")
    assert (failure["subject"], failure["check"]) == ("altimeter.thousands", "gearing")
    tree = _Tree()
    tree.feed(html.read_text(encoding="utf-8"))
    assert not tree.open
    assert {failure["cure"], failure["formula"]} <= set(tree.text)
    assert failure["text"] in "".join(tree.text)


def test_a_sound_panel_ends_in_exit_code_0() -> None:
    assert run(str(HERE.parents[1] / "config" / "panel.toml")) == 0


def test_one_drive_is_checked_from_a_few_words(capsys: pytest.CaptureFixture[str]) -> None:
    words = (
        "--motor geared-unipolar-5v --microsteps 2 --per-turn 1000ft --fastest 3000ft/min --tolerance 10ft"
    )
    assert run(*words.split()) == 0
    out = capsys.readouterr().out
    assert "206.6 steps/s" not in out  # that would be a calibrated face; here 1,000 ft a turn throughout
    assert "203.8 steps/s" in out  # 50 ft/s x 4,075.77 / 1,000 ft
    assert run(*words.replace("3000ft/min", "400ft/s").split()) == 1


def test_units_are_turned_into_the_faces_own(capsys: pytest.CaptureFixture[str]) -> None:
    words = "--motor gauge-stepper-315 --scale 180kt --sweep 300 --fastest 18.52km/h/s --tolerance 2kt"
    assert run(*words.split()) == 0
    assert "10 kt per s" in capsys.readouterr().out


def test_wheels_are_checked_and_proposed(capsys: pytest.CaptureFixture[str]) -> None:
    wheels = ["--ratio", "10", "--teeth", "12,24,48,60"]
    assert run(*wheels, "--train", "36/12", "32/8") == 1
    assert run(*wheels, "--train", "60/12", "48/24") == 0
    capsys.readouterr()
    assert run(*wheels) == 0
    assert "60/12 x 48/24" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [
        "",
        "nowhere.toml",
        "panel.toml --motor geared-unipolar-5v",
        "--motor nothing-like-it --per-turn 1000ft",
        "--motor geared-unipolar-5v",
        "--motor geared-unipolar-5v --per-turn 1000",
        "--motor geared-unipolar-5v --per-turn 1000ft --scale 10ft --sweep 90",
        "--motor geared-unipolar-5v --scale 10ft",
        "--motor geared-unipolar-5v --per-turn=-5ft",
        "--motor geared-unipolar-5v --per-turn 1.2.3ft",
        "--motor geared-unipolar-5v --per-turn 1e-320ft",
        "--motor geared-unipolar-5v --per-turn 1e300ft",
        "--motor geared-unipolar-5v --per-turn 1000ft --fastest 50ft",
        "--motor geared-unipolar-5v --per-turn 1000ft --fastest 50kt/s",
        "--motor geared-unipolar-5v --per-turn 1000ft --tolerance ten",
        "--motor geared-unipolar-5v --per-turn 1000ft --gears 60/0",
        "--motor geared-unipolar-5v --per-turn 1000ft --speed 0",
        "--motor geared-unipolar-5v --per-turn 1000ft --mass -1",
        "--motor geared-unipolar-5v --per-turn 1000ft --backlash -1",
        "--ratio ten",
        "--ratio 10 --teeth 12,many",
    ],
)
def test_what_can_not_be_understood_is_explained(words: str) -> None:
    with pytest.raises(BridgeError, match="expected"):
        run(*words.split())


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("", "found neither --per-turn nor --scale; expected one of the two"),
        ("--per-turn 1000ft --scale 10ft --sweep 9", "found --per-turn and --scale; expected one of the two"),
        ("--scale 10ft", "--sweep: found nothing; expected the degrees of the whole scale"),
        ("--per-turn 10ft --sweep 9", "found --sweep without --scale"),
        ("--per-turn 9ft --fastest 5kt/s", "found '5kt'; expected a value in ft, or a unit like it (m, km,"),
        ("--per-turn 9furlong --fastest 5ft/s", "expected a value in furlong, which is not a unit that"),
    ],
)
def test_what_is_wrong_with_a_typed_drive_is_reported_as_it_is(words: str, message: str) -> None:
    with pytest.raises(BridgeError) as raised:
        run("--motor", "geared-unipolar-5v", *words.split())
    assert message in str(raised.value)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("--html {folder}", "found a folder; expected a file that can be written"),
        ("--html {folder}/no/check.html", "found no such folder"),
        ("--json {folder}/mine.json", "did not write"),
        ("--html {folder}/same --json {folder}/same", "the same file as"),
        ("--html {folder}/panel.toml", "a file that this command reads"),
    ],
)
def test_an_output_that_can_not_be_written_is_refused(tmp_path: Path, words: str, message: str) -> None:
    panel = tmp_path / "panel.toml"
    panel.write_bytes((HERE / "clockwork.toml").read_bytes())
    (tmp_path / "mine.json").write_text("mine")
    with pytest.raises(BridgeError, match=message):
        run(str(panel), *words.format(folder=tmp_path).split())
    assert panel.read_bytes() == (HERE / "clockwork.toml").read_bytes()
    assert (tmp_path / "mine.json").read_text() == "mine"
    assert {file.name for file in tmp_path.iterdir()} == {"panel.toml", "mine.json"}


def test_the_same_check_runs_twice(tmp_path: Path) -> None:
    for _ in range(2):
        outputs = ["--html", str(tmp_path / "check.html"), "--json", str(tmp_path / "check.json")]
        assert run(str(HERE / "clockwork.toml"), *outputs) == 1


def test_names_are_escaped_in_the_page_and_kept_in_json() -> None:
    finding = Finding("a<b>", "x", "ok", value=1.0, unit="ft", formula="1 < 2 & 3", text="<script>.")
    page = to_html("<panel>", [finding])
    assert "<script>" not in page and "1 &lt; 2 &amp; 3" in page and "&lt;panel&gt;" in page
    assert json.loads(to_json("<panel>", [finding]))["findings"][0]["text"] == "<script>."


def test_findings_are_counted_by_their_severity() -> None:
    found = [Finding("a", "x", severity, text="x.") for severity in ("note", "note", "failure", "ok", "ok")]
    assert summary(found) == "1 failure, 0 warnings, 2 notes, 2 ok"


def test_the_gravest_comes_first_and_what_is_ok_only_on_request(capsys: pytest.CaptureFixture[str]) -> None:
    panel = str(HERE / "weak-servo.toml")
    run(panel)
    short = capsys.readouterr().out
    run(panel, "--all")
    whole = capsys.readouterr().out
    titles = [line.strip() for line in whole.splitlines() if line.strip() in SEVERITIES]
    assert titles == [severity for severity in reversed(SEVERITIES) if severity in titles]
    assert titles[0] == "failure" and titles[-1] == "ok"
    assert [line.strip() for line in short.splitlines() if line.strip() in SEVERITIES] == titles[:-1]
    assert "--all shows what is ok" in short and "--all" not in whole
