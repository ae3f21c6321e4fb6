"""What the documents name is there, and the ports they use are free for anybody's use."""

from __future__ import annotations

import re
import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

from tests.conftest import ROOT

GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
WALK = GUIDE.split("## A datagram on its way to a step")[1].split("\n## ")[0]
OURS = [
    path.relative_to(ROOT).as_posix() + "/" * path.is_dir()
    for folder in ("bridge", "tests", "replay_logs")
    for path in (ROOT / folder, *(ROOT / folder).rglob("*"))
]
PYTHON, C = (
    {path: path.read_text(encoding="utf-8") for path in sorted((ROOT / "bridge").rglob(f"*.{ending}"))}
    for ending in ("py", "c")
)


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`((?:\w+/)+|(?:\w+/)*\w+\.(?:py|c|h))`", GUIDE))))
def test_every_file_and_folder_that_the_guide_names_is_there(name: str) -> None:
    assert any(f"/{path}".endswith(f"/{name}") for path in OURS)


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`([A-Za-z_]+(?:\.(?!py|c|h)[a-z_]+)?)`", WALK))))
def test_every_function_on_the_way_of_a_datagram_is_there(name: str) -> None:
    """`Class.method`, `module.function`, a function or class of Python, or a function of C."""
    owner, _, function = name.rpartition(".")
    if owner:
        homes = [text for path, text in PYTHON.items() if path.stem == owner or f"\nclass {owner}" in text]
        assert any(f"def {function}(" in text for text in homes)
    else:
        in_python = any(re.search(rf"(?:class|def) {name}\b", text) for text in PYTHON.values())
        assert in_python or any(re.search(rf"^\w.*\b{name}\(", text, re.M) for text in C.values())


CONFIG = sorted(file.relative_to(ROOT).as_posix() for file in (ROOT / "config").rglob("*.toml"))


@pytest.mark.parametrize("file", ["README.md", *CONFIG])
def test_ports_are_from_the_dynamic_range(file: str) -> None:
    """Ports 49152 to 65535 are never assigned (RFC 6335, section 6)."""
    text = (ROOT / file).read_text(encoding="utf-8")
    for port in re.findall(r"\b\d{1,3}(?:\.\d{1,3}){3}:(\d+)", text):
        assert 49152 <= int(port) <= 65535


def test_the_shipped_panel_listens_at_a_port_that_the_readme_names() -> None:
    panel = (ROOT / "config" / "panel.toml").read_text(encoding="utf-8")
    (listened,) = re.findall(r'listen = "127\.0\.0\.1:(\d+)"', panel)
    assert f":{listened}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_what_set_up_installs_is_pinned_by_version_and_hash_and_tests_run_with_the_same() -> None:
    pinned = {}
    for name in ("requirements.lock", ".ci/tests.lock"):
        text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", "")
        lines = [line for line in text.splitlines() if line and not line.startswith("#")]
        assert lines and all("--hash=sha256:" in line for line in lines)
        pinned[name] = {line.split()[0] for line in lines}
    assert all("==" in package for package in pinned[".ci/tests.lock"])
    assert pinned["requirements.lock"] < pinned[".ci/tests.lock"]


def test_exceptions_end_in_error() -> None:
    """PEP 8, Exception Names; a group of them in the plural, as `ExceptionGroup` has them."""
    raised = {
        name: path
        for path, text in PYTHON.items()
        for name, bases in re.findall(r"^class (\w+)\((.*)\):", text, re.M)
        if re.search(r"(Exception|Error)\b", bases)
    }
    assert len(raised) > 10
    assert [name for name in raised if not re.search(r"Errors?$", name)] == []


def test_no_folder_of_tests_is_left_out(pytestconfig: pytest.Config) -> None:
    """A pattern of `norecursedirs` is for a folder of that name anywhere."""
    folders = {
        folder for file in (ROOT / "tests").rglob("test_*.py") for folder in file.relative_to(ROOT).parents
    }
    patterns = pytestconfig.getini("norecursedirs")
    assert [folder for folder in folders if any(fnmatch(folder.name, pattern) for pattern in patterns)] == []


STAGE = r"bridge/(?:boards|motion|gauges|instruments|telemetry|hardware)/(?!(?:.*/)?__init__)"
REACHES_OUT = r"^\s*(?:import|from) (?:asyncio|logging|os|pathlib|serial|socket|structlog|threading|time)\b"


def test_no_pure_module_is_missing_in_the_import_contracts() -> None:
    """A stage's module that reaches no clock, file or line by itself, and any that calls itself pure."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    held = [module for contract in contracts for module in contract.get("source_modules", [])]
    pure = [
        path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".") + "."
        for path, text in PYTHON.items()
        if (re.match(STAGE, path.relative_to(ROOT).as_posix()) and not re.search(REACHES_OUT, text, re.M))
        or re.search(r"\bPure\b", text.partition("\nfrom ")[0])
    ]
    assert len(pure) > 60
    assert [name for name in pure if not name.startswith(tuple(f"{module}." for module in held))] == []


def _shipped_words() -> dict[str, str]:
    """What a builder sees first, by its file: the README, the panel, the layouts, what flies the flights."""
    files = [ROOT / "README.md", *(ROOT / "config").rglob("*.toml"), *(ROOT / "replay_logs").glob("*.py")]
    return {file.relative_to(ROOT).as_posix(): file.read_text(encoding="utf-8") for file in files}


def test_the_demo_aircraft_is_nobodys() -> None:
    """Its speeds are none of a common trainer's (44, 50, 125, 160 kt: from memory), its name no bird's."""
    speeds = re.findall(r"^\w+_kt = (\d+)", _shipped_words()["config/panel.toml"], re.M)
    assert len(speeds) == 5
    assert not {44, 50, 125, 160} & set(map(int, speeds))
    birds = (
        r"(?i)hawk|eagle|falcon|kestrel|kite\b|swift\b|lark|heron|osprey|harrier|merlin|swallow|finch|tern\b"
    )
    assert {
        file: re.findall(birds, text) for file, text in _shipped_words().items() if re.search(birds, text)
    } == {}
    others = [file for file in (ROOT / "tests").rglob("*.*") if file.suffix in {".py", ".toml", ".c", ".md"}]
    texts = {file: file.read_text(encoding="utf-8") for file in others if file != Path(__file__)}
    assert [file for file, text in texts.items() if "lark" in text.lower()] == []


def test_no_maker_is_named_where_a_general_word_serves() -> None:
    """One word is left: the name that the upload program has for a protocol."""
    makers = r"(?i)\b(arduino|atmel|microchip|raspberry|espressif|intel|amd|xeon|nordic)\b"
    texts = _shipped_words()
    for name in ("Makefile", "README.md"):
        texts[f"firmware/{name}"] = (ROOT / "bridge" / "firmware" / name).read_text(encoding="utf-8")
    found = {file: re.findall(makers, text) for file, text in texts.items() if re.search(makers, text)}
    assert found == {"firmware/Makefile": ["arduino"]}
