"""Sheet and record: what was tested, by whom, what was not, and that it is no airworthiness document."""

from __future__ import annotations

import io
import json
from html.parser import HTMLParser
from pathlib import Path

import pdfplumber
import pytest

from bridge.errors import DescriptionError
from bridge.faces.primitives import Text
from bridge.panel.load import load_panel
from bridge.proof.evaluation import evaluate
from bridge.proof.html import sheet_html
from bridge.proof.pdf import sheet_pdf
from bridge.proof.plan import Plan, make_plan
from bridge.proof.readers import Reader
from bridge.proof.record import Record, fingerprint, read_record, to_json
from bridge.proof.sheet import Sheet, facts, number, sheet
from tests.proof.altimeter import altimeter

READER = Reader("eye", "Ada <b>, by eye, to 1 ft as stated", 1.0)
PANEL = altimeter()
POINTER = PANEL.pointers[0]


def drawn(off: float, taken: int | None = None) -> tuple[Plan, Sheet, str]:
    """The sheet of an altimeter that is off by so much at every place, and its record."""
    plan = make_plan(PANEL, POINTER, 2, 1.0)
    readings: list[float | None] = [*(step.wanted + off for step in plan.steps)]
    readings = readings[:taken]
    record = Record(fingerprint(plan, POINTER, READER), "2026-11-26 10:00", "2026-11-26 11:00", readings)
    evaluation = evaluate(plan, POINTER, readings, READER.uncertainty)
    about = facts(PANEL, POINTER, plan, record, READER, "0102030405060708", "cal.toml, captured 2026-11-20")
    return plan, sheet(plan, evaluation, about), to_json(record, plan, evaluation, about, READER)


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [str(value) for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def words(page: str) -> str:
    parser = _Words()
    parser.feed(page)
    assert parser.fetched == []
    return " ".join(" ".join(parser.text).split())


@pytest.mark.slow
def test_the_page_and_the_paper_have_all_that_a_sheet_must() -> None:
    _, whole, _ = drawn(-11.5)
    page = words(sheet_html(whole))
    with pdfplumber.open(io.BytesIO(sheet_pdf(whole, "a4"))) as pdf:
        paper = " ".join(" ".join(page.extract_text().split()) for page in pdf.pages)
    for text in (page, paper):
        assert "This is not an airworthiness document" in text
        assert "Failed: scale error, own" in text
        assert "All readings going up are off alike, by -11.5 ft" in text
        assert "altimeter, pointer hundreds" in text
        assert "4,075.77 steps a turn" in text
        assert "id 0102030405060708" in text
        assert "cal.toml, captured 2026-11-20" in text
        assert "Ada <b>, by eye" in text
        assert "above 20,000 ft" in text
        assert "14 CFR Part 43, Appendix E, Table I (the text itself was read)" in text
        assert "Table II (the text itself was read)" in text
        assert "ISO 230-2:2006, 2.10 to 2.24 (the standard itself was not read" in text
        assert "From 2 passes; the standard asks for 5" in text
        assert "figure both ways rising alone falling alone" in text
    assert sheet_pdf(whole, "letter") == sheet_pdf(whole, "letter")


@pytest.mark.parametrize(
    ("value", "text"),
    [(-0.0, "0"), (0.0004, "0"), (-2.5e-5, "0"), (0.0123, "+0.012"), (-1.574, "-1.57"), (1234.5, "+1,234")],
)
def test_a_number_has_the_digits_that_count(value: float, text: str) -> None:
    assert number(value) == text


def test_a_gauge_without_any_limit_is_not_judged_and_rounding_is_no_error(config: Path) -> None:
    file = config / "panel.toml"
    before, table = file.read_text().split("[gauges.turn.pointers.ball]")
    file.write_text(before + "[gauges.turn.pointers.ball]" + table.replace("tolerance = 1\n", "", 1))
    panel = load_panel(file)
    ball = next(pointer for pointer in panel.pointers if pointer.key == "turn.ball")
    plan = make_plan(panel, ball, 2, 1.0)
    evaluation = evaluate(plan, ball, [step.wanted + 1e-4 for step in plan.steps], 0.0)
    whole = sheet(plan, evaluation, ())
    assert whole.verdict.startswith("not judged") and whole.tests.rows[0][:2] == ("none", "not judged")
    axis = {item.text for item in whole.curve if isinstance(item, Text)}
    assert {"-0.020", "0", "+0.020"} <= axis and "+0.00" not in axis


def test_an_unfinished_test_is_marked_as_one() -> None:
    _, whole, record = drawn(0.0, taken=10)
    assert any("readings are still to be taken" in text for _, text in whole.facts)
    assert json.loads(record)["finished"] is False
    assert whole.verdict != "passed every test that was done"


def test_a_record_is_read_back_as_it_was(tmp_path: Path) -> None:
    plan, _, text = drawn(2.0, taken=10)
    file = tmp_path / "record.json"
    file.write_text(text)
    record = read_record(file, fingerprint(plan, POINTER, READER), len(plan.steps))
    assert record is not None
    assert record.taken == [step.wanted + 2.0 for step in plan.steps[:10]]
    assert record.begun == "2026-11-26 10:00"


def test_a_finished_record_is_not_gone_on_with(tmp_path: Path) -> None:
    plan, _, text = drawn(2.0)
    (tmp_path / "record.json").write_text(text)
    assert read_record(tmp_path / "record.json", fingerprint(plan, POINTER, READER), len(plan.steps)) is None


def test_readings_of_another_calibration_are_not_put_together(tmp_path: Path) -> None:
    plan, _, text = drawn(2.0, taken=10)
    (tmp_path / "record.json").write_text(text)
    with pytest.raises(DescriptionError, match="another state of this gauge"):
        read_record(tmp_path / "record.json", "0000", len(plan.steps))


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"written_by": 1, "readings": [{"read": "x"}]}', "\x00"])
def test_a_file_that_is_no_record_is_refused_in_words(tmp_path: Path, text: str) -> None:
    (tmp_path / "record.json").write_text(text)
    with pytest.raises(DescriptionError, match="no record of a test"):
        read_record(tmp_path / "record.json", "0000", 5)
