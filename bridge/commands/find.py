"""`listen --find`: the dialogue in which a layout is found: lines, for a terminal, ssh or a pipe."""

from __future__ import annotations

import asyncio
import textwrap
import time
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TextIO

from bridge.errors import BridgeError, DescriptionError, TelemetryError
from bridge.logs import printable
from bridge.outputs import put_files, writing
from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.decoder import Decoded
from bridge.telemetry.finding.history import Family, History
from bridge.telemetry.finding.questions import next_question
from bridge.telemetry.finding.readings import TypedError, typed_readings
from bridge.telemetry.finding.search import Moment
from bridge.telemetry.finding.shown import WIDTH, content_rows
from bridge.telemetry.finding.verdict import Result, Verdict, best_result, judge
from bridge.telemetry.finding.written import layout_text
from bridge.telemetry.layout import load_layout
from bridge.telemetry.layout_description import CODES
from bridge.telemetry.udp import UdpSource
from bridge.threads import in_thread

HELP = """\
altitude 3763 ft, heading 243   what the instruments show now; pause or fly steadily
senders             the datagrams heard, numbered: by sender, kind and length
pick N, pick all    search only number N of them; search all
show [FROM] [TYPE]  what is in them, from a byte's offset or a row; TYPE as in float64
found               what is known so far, and what to read next
readings, drop N    the lines typed; forget number N
write FILE          write the layout of what was found; done ends as well, quit without
"""
_AGED_S = 5.0
_FIRST_S = 1.0
_LONGEST_LINE = 4000
_MOST_WAITING = 2000
"""Datagrams that wait while a line is answered; of more the oldest are dropped."""


class Dialogue:
    """What was typed, and the answers to it. No I/O but the file it writes."""

    def __init__(
        self,
        source: UdpSource,
        history: History,
        clock: Callable[[], float],
        catalogue: Catalogue = CATALOGUE,
    ) -> None:
        self._source = source
        self._history = history
        self._clock = clock
        self._catalogue = catalogue
        self._moments: list[Moment] = []
        self._picked: Family | None = None
        self._result: Result | None = None
        self.ended = False

    def answer(self, line: str) -> list[str]:
        """The lines to print for a typed one; sets `ended` on the last."""
        word, _, rest = line.strip().partition(" ")
        commands: dict[str, Callable[[str], list[str]]] = {
            "help": lambda _: HELP.splitlines(),
            "senders": lambda _: self._senders(),
            "pick": self._pick,
            "show": self._show,
            "found": lambda _: self._found(),
            "readings": lambda _: self._listed(),
            "drop": self._drop,
            "write": self._write,
            "done": lambda rest: [*self._write(rest), *self._end()] if rest.strip() else self._end(),
            "quit": lambda _: self._end(),
        }
        if not word:
            return []
        try:
            if word.lower() in commands:
                return commands[word.lower()](rest.strip())
            return self._read(line)
        except BridgeError as wrong:
            return textwrap.wrap(printable(str(wrong)), WIDTH)

    def _end(self) -> list[str]:
        self.ended = True
        return []

    def _families(self) -> list[Family]:
        return self._history.families

    def _senders(self) -> list[str]:
        if not self._families():
            return [f"Nothing has been heard on {self._source.name} yet."]
        rows = []
        for i, family in enumerate(self._families(), 1):
            mark = "*" if family is self._picked else " "
            rows.append(printable(f"{mark}{i}: {family}, {family.count:,} datagrams"))
        if self._source.refused:
            rows.append(f"Not allowed: {', '.join(self._source.refused)}; add --allow ADDRESS")
        if self._history.skipped:
            rows.append(f"{self._history.skipped:,} datagrams of still other kinds were skipped.")
        return rows

    def _pick(self, rest: str) -> list[str]:
        families = self._families()
        if rest == "all":
            self._picked = None
        else:
            self._picked = families[_number(rest, len(families), "a number that `senders` lists") - 1]
        return self._found() if self._moments else self._senders()

    def _show(self, rest: str) -> list[str]:
        family = self._picked if self._result is None else self._result.family
        if family is None:
            family = max(self._families(), key=lambda one: one.count, default=None)
        if family is None:
            return self._senders()
        words = rest.split()
        number_type = words.pop() if words and not words[-1].isdecimal() else "float32"
        if number_type not in CODES:
            raise TypedError(f"found the type '{number_type}'; expected one of {', '.join(CODES)}")
        start = int(words[0]) if words and words[0].isdecimal() and len(words[0]) < 6 else 0
        return [printable(str(family))[:WIDTH], *map(printable, content_rows(family, start, number_type))]

    def _listed(self) -> list[str]:
        return [
            f"{i}: {', '.join(reading.typed for reading in moment.readings)}"
            for i, moment in enumerate(self._moments, 1)
        ] or ["Nothing has been read yet."]

    def _drop(self, rest: str) -> list[str]:
        del self._moments[_number(rest, len(self._moments), "a number that `readings` lists") - 1]
        return self._found() if self._moments else self._listed()

    def _read(self, line: str) -> list[str]:
        readings = typed_readings(line, self._catalogue)
        now_s = self._clock()
        latest_s = max((family.times_s[-1] for family in self._families()), default=None)
        if latest_s is None:
            return self._senders()
        aged = [f"The latest datagram came {now_s - latest_s:.0f} s ago: it is taken for what is shown."]
        self._history.keep(now_s)
        self._moments.append(Moment(tuple(readings), now_s))
        return (aged if now_s - latest_s > _AGED_S else []) + self._found()

    def _found(self) -> list[str]:
        families = [self._picked] if self._picked is not None else self._families()
        results = [result for family in families if (result := judge(family, self._moments, self._catalogue))]
        self._result = best_result(results)
        if not self._moments or self._result is None:
            return ["Nothing has been read yet: type what instruments show, as in: altitude 3763 ft"]
        order = self._result.shape.head.get("byte_order")
        rows = [printable(f"In {self._result.family}{f', {order}-endian' if order else ''}:")[:WIDTH]]
        for verdict in self._result.verdicts:
            rows += self._verdict_rows(verdict)
        if self._result.clock is not None:
            rows.append(printable(f"{'time':<20} {self._result.clock}: the sender's own clock")[:WIDTH])
        if len(self._moments) == 1:
            rows += textwrap.wrap("Now move the aircraft and type again: one reading fits too much.", WIDTH)
        rows += self._elsewhere(results)
        question = next_question(self._result.verdicts, self._tolerances(), self._catalogue)
        return rows + textwrap.wrap(
            printable(question or "All is sure: `write FILE` writes the layout."), WIDTH
        )

    def _verdict_rows(self, verdict: Verdict) -> list[str]:
        head = f"{verdict.quantity:<20} {verdict.word:<9}"
        if verdict.best is None:
            return [head]
        rivals = f"; rivals: {len(verdict.rivals)}" if verdict.rivals else ""
        others = [one.place for one in verdict.alike if one.place != verdict.best.place]
        alike = f"; alike so far: {others[0]}" if others else ""
        odds = f"{int(100 * verdict.confidence):3d}%" if verdict.varied else "    "
        line = f"{odds} {verdict.best.place}, {verdict.best.conversion}{rivals}{alike}"
        if not verdict.varied and len(self._moments) > 1:
            line += "; its readings are too much alike"
        return textwrap.wrap(printable(f"{head} {line}"), WIDTH, subsequent_indent=" " * 31)

    def _elsewhere(self, results: Sequence[Result]) -> list[str]:
        """What is sure in other datagrams only: they need a layout of their own."""
        assert self._result is not None
        known = {verdict.quantity for verdict in self._result.written}
        rows = []
        for result in results:
            others = [v.quantity for v in result.verdicts if v.sure and v.quantity not in known]
            known.update(others)
            if others and result is not self._result:
                number = self._families().index(result.family) + 1
                cure = f"`pick {number}` and write a second layout for {', '.join(others)}."
                rows += textwrap.wrap(f"Sure in other datagrams: {cure}", WIDTH)
        return rows

    def _tolerances(self) -> dict[str, float]:
        return {r.quantity: r.tolerance for moment in self._moments for r in moment.readings}

    def _write(self, rest: str) -> list[str]:
        if not rest:
            raise TypedError("found no file name; expected one, as in: write own.toml")
        if self._result is None or not self._result.written:
            raise TypedError(
                "found nothing that is sure or likely yet; expected readings of two moments or more"
            )
        path = Path(rest).expanduser()
        if path.exists() or path.is_symlink():
            cure = "Choose another name: nothing is overwritten"
            raise DescriptionError(str(path), "", "a file that is there already", "a new file", cure)
        text = layout_text(self._result)
        with TemporaryDirectory() as folder:
            trial = Path(folder) / "layout.toml"
            trial.write_text(text, encoding="utf-8")
            layout = load_layout(trial, self._catalogue)
        with writing(path):
            put_files({path: text})
        rows = [f"Written: {path}. Its readings of the latest datagram:"]
        try:
            decoded = layout.decoder().decode(self._result.family.datagrams[-1])
        except TelemetryError as error:
            rows += textwrap.wrap(printable(str(error)), WIDTH)
        else:
            for name, value in decoded.readings.items() if isinstance(decoded, Decoded) else ():
                rows.append(f"    {name} {value:,.2f} {self._catalogue[name].unit}")
        return [
            *rows,
            f"Try it: pointer-bridge listen --on {self._source.name} --layout {path}",
            f'Then in your panel, under [[sources]]: layouts = ["{path.name}"]',
        ]


def _number(text: str, most: int, what: str) -> int:
    if not text.isdecimal() or not 1 <= int(text[:9]) <= most:
        raise TypedError(f"found '{text}'; expected {what}" + (f": 1 to {most}" if most else ", and none is"))
    return int(text)


async def find(
    host: str,
    port: int,
    allow: Sequence[str],
    typed: TextIO,
    out: TextIO,
    clock: Callable[[], float] = time.monotonic,
) -> int:
    """The dialogue until it is ended or the input ends; raises `DescriptionError` for a bad port."""
    history = History()
    waiting: deque[tuple[str, bytes, float]] = deque(maxlen=_MOST_WAITING)
    answering = asyncio.Lock()
    heard = asyncio.Event()

    def take(sender: str, datagram: bytes, now_s: float) -> None:
        waiting.append((sender, datagram, now_s))
        if not answering.locked():
            sort()
        heard.set()

    def sort() -> None:
        while waiting:
            history.add(*waiting.popleft())

    async def answer(line: str) -> list[str]:
        """In a thread: a search takes a second or two, and what is sent meanwhile is heard in time."""
        async with answering:
            sort()
            return await in_thread("answer", partial(dialogue.answer, line))

    source = UdpSource(host, port, (), allow, clock, raw=take)
    await source.open()
    try:
        dialogue = Dialogue(source, history, clock)
        _print(out, [f"Listening on {source.name}. Type `help` for what can be typed."])
        first = asyncio.create_task(_show_first(heard, answer, out))
        try:
            while not dialogue.ended:
                out.write("> ")
                out.flush()
                line = await in_thread("typed", partial(typed.readline, _LONGEST_LINE))
                if not line:
                    break
                _print(out, await answer(line))
        finally:
            first.cancel()
            await asyncio.wait({first})
    finally:
        await source.close()
    return 0


async def _show_first(
    heard: asyncio.Event, answer: Callable[[str], Awaitable[list[str]]], out: TextIO
) -> None:
    """Shows what is in the first second of datagrams, once some have come."""
    await heard.wait()
    await asyncio.sleep(_FIRST_S)
    _print(out, ["", *await answer("senders"), *await answer("show")])
    out.write("> ")
    out.flush()


def _print(out: TextIO, lines: Sequence[str]) -> None:
    for line in lines:
        print(line, file=out)
    out.flush()
