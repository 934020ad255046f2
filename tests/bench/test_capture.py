"""A capture over pseudo-terminals (pty(7)), pipes, scripts: bursts, stalls, noise, a wrong rate,
a line that is lost and comes back, a dump that never ends. Whatever is judged, all is kept."""

from __future__ import annotations

import errno
import os
import random
import threading
import time
import tty
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from memdiag.bench import capture_sources
from memdiag.bench.capture import Capture, Ended, Limits
from memdiag.bench.capture_files import Kept
from memdiag.bench.capture_lines import known
from memdiag.model.problems.capture import KINDS
from memdiag.reading.load import load
from tests.support.capturing import Console, codes, dumps, kept, until
from tests.support.serial_line import received

pytest.importorskip("serial", reason="pyserial is not installed (extra: capture)")

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "samples"
FOUR = (SAMPLES / "four-dumps.dump").read_bytes()
ONE = (SAMPLES / "layouts" / "commas.csv").read_bytes()
CUT = ONE[: ONE.index(b"stop,")]
NOW = datetime(2026, 3, 4, 9, 12, tzinfo=UTC)
PROVOKED = [
    pytest.param(code, script, id=f"{code}-{n}")
    for code, kind in KINDS.items()
    for n, script in enumerate(kind.provoked_by)
]


class Wire:
    """A serial device that is a pseudo-terminal, under a name that stays when it is plugged in
    again."""

    def __init__(self, folder: Path) -> None:
        self.device = folder / "ttyBENCH0"
        self.sent = b""
        self.plug()

    def plug(self) -> None:
        self._board, self._end = os.openpty()
        tty.setraw(self._end)  # the bytes as they are, before anybody opens it
        self.device.symlink_to(os.ttyname(self._end))

    def pull(self) -> None:
        """Reading from the other end is an error from now on (pty(7))."""
        self.device.unlink()
        os.close(self._board)
        os.close(self._end)

    def send(self, data: bytes) -> None:
        self.sent += data
        while data:
            data = data[os.write(self._board, data[:512]) :]


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[Wire]:
    made = Wire(tmp_path)
    yield made
    if made.device.is_symlink():
        made.pull()


@pytest.fixture
def listen(wire: Wire, tmp_path: Path) -> Iterator[Callable[..., Capture]]:
    """Makes a capture that listens to the wire."""
    made: list[Capture] = []

    def begin(stall: float = 60.0) -> Capture:
        source = capture_sources.source(str(wire.device))
        source.open()
        files = Kept(tmp_path / "kept", source.stem, NOW)
        made.append(Capture(source, files, known(), Limits(stall, 100_000)))
        made[0].start()
        return made[0]

    yield begin
    for one in made:
        one.stop()


@pytest.fixture
def capture(listen: Callable[..., Capture]) -> Capture:
    return listen()


def test_bursts_and_single_bytes_are_dumps(wire: Wire, capture: Capture, tmp_path: Path) -> None:
    rng = random.Random(3)
    text, at = FOUR.replace(b"\n", b"\r\n"), 0

    def send() -> None:
        nonlocal at
        while at < len(text):
            n = rng.choice([1, 2, 7, 300, 4096])
            wire.send(text[at : at + n])
            at += n
            time.sleep(rng.choice([0, 0, 0.001]))

    board = threading.Thread(target=send)
    board.start()
    found = dumps(until(capture, lambda events: len(dumps(events)) == 4))
    board.join()
    assert [each.ended for each in found] == [Ended.END] * 4
    assert [load(d.text)[0].head.id for d in found] == [run.head.id for run in load(FOUR)]
    capture.stop()
    assert kept(tmp_path / "kept") == wire.sent


def test_nothing_is_lost_while_a_dump_is_judged(
    wire: Wire, capture: Capture, tmp_path: Path
) -> None:
    """Nobody polls, and a terminal holds 4 KiB or so: what is more was read and kept."""
    board = threading.Thread(target=wire.send, args=(FOUR * 4,))
    board.start()
    board.join(20)
    assert not board.is_alive()
    end = time.monotonic() + 20
    while kept(tmp_path / "kept") != wire.sent:
        assert time.monotonic() < end
        time.sleep(0.02)
    assert len(dumps(until(capture, lambda events: len(dumps(events)) == 16))) == 16


def test_a_stall_is_told_and_the_next_boot_is_heard(
    wire: Wire, listen: Callable[..., Capture]
) -> None:
    capture = listen(stall=1.0)
    wire.send(CUT)
    (early,) = dumps(until(capture, dumps))
    assert early.ended is Ended.STALL and not early.final and early.text == CUT
    wire.send(ONE)
    settled, whole = dumps(until(capture, lambda events: len(dumps(events)) == 2))
    assert settled.final and settled.text == CUT
    assert whole.text == ONE


def test_noise_in_a_dump_is_kept_and_the_dump_is_read(
    wire: Wire, capture: Capture, tmp_path: Path
) -> None:
    at = ONE.index(b"table,")
    noisy = ONE[:at] + b"\xf9\x00\x80remark\xff\r\n" + ONE[at:]
    wire.send(noisy)
    (found,) = dumps(until(capture, dumps))
    assert found.text == noisy and load(found.text)[0].head.lines
    capture.stop()
    assert kept(tmp_path / "kept") == noisy


def test_a_wrong_baud_rate_is_said_with_the_rate(wire: Wire, capture: Capture) -> None:
    wire.send(received(ONE[:400], 9600, 115200))
    told = until(capture, codes)
    assert codes(told) == ["capture-no-text"] and dumps(told) == []
    assert "115200 baud" in told[0].message and "@9600" in told[0].hint
    assert 10 < int(told[0].message.split(" %")[0].split("%")[0]) <= 100
    wire.send(ONE * 2)  # the rate was put right at the board
    assert len(dumps(until(capture, lambda events: len(dumps(events)) == 2))) == 2


def test_a_line_that_is_lost_loses_nothing_and_is_listened_to_again(
    wire: Wire, capture: Capture, tmp_path: Path
) -> None:
    wire.send(CUT)
    until(capture, lambda _: capture.state.coming)
    while capture.state.size < len(CUT):
        capture.poll(0.01)
    wire.pull()
    lost = until(capture, lambda events: "capture-lost" in codes(events) and dumps(events))
    (broken,) = dumps(lost)
    assert (broken.text, broken.ended, broken.final) == (CUT, Ended.LOST, True)
    assert not capture.state.connected
    wire.plug()
    assert codes(until(capture, codes)) == ["capture-back"]
    wire.send(ONE)
    (whole,) = dumps(until(capture, dumps))
    assert whole.text == ONE
    capture.stop()
    assert kept(tmp_path / "kept") == wire.sent


def test_a_dump_that_never_ends_is_bounded_and_listening_goes_on(
    wire: Wire, capture: Capture, tmp_path: Path
) -> None:
    endless = CUT + b"U1,0,0,read,pass\n" * 8000
    board = threading.Thread(target=wire.send, args=(endless + ONE,))
    board.start()
    events = until(capture, lambda events: len(dumps(events)) == 2)
    board.join()
    assert codes(events) == ["capture-endless"]
    bounded, whole = dumps(events)
    assert (bounded.ended, len(bounded.text)) == (Ended.BOUND, 100_000)
    assert whole.text == ONE
    capture.stop()
    assert kept(tmp_path / "kept") == endless + ONE


def test_a_device_is_listened_to_by_one(wire: Wire, capture: Capture) -> None:
    other = capture_sources.source(str(wire.device))
    with pytest.raises(OSError) as refused:
        other.open()
    assert "another program" in capture_sources.refused(other.name, refused.value).hint


def test_the_rate_is_taken_from_the_name(wire: Wire) -> None:
    made = capture_sources.source(f"{wire.device}@57600")
    assert made.name == f"{wire.device} at 57600 baud"
    assert capture_sources.source(str(wire.device)).name.endswith("115200 baud")
    there = wire.device.with_name("pipe@9600")  # a file may have such a name
    there.write_bytes(b"")
    assert capture_sources.source(str(there)).name == str(there)


def test_a_pipe_is_listened_to_writer_after_writer(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    source = capture_sources.source(str(pipe))
    source.open()
    capture = Capture(source, Kept(tmp_path / "kept", "pipe", NOW), known(), Limits(20.0))
    capture.start()
    for n in range(1, 4):
        with pipe.open("wb") as writer:
            writer.write(ONE)
        found = until(capture, dumps)
        assert [(d.text, d.ended, d.number) for d in dumps(found)] == [(ONE, Ended.END, n)]
    with pipe.open("wb") as writer:
        writer.write(CUT)
    (short,) = dumps(until(capture, dumps))  # whoever wrote has gone
    assert short.ended is Ended.LOST
    capture.stop()
    assert kept(tmp_path / "kept") == ONE * 3 + CUT


def test_a_file_ends_once(tmp_path: Path) -> None:
    source = capture_sources.source(str(SAMPLES / "four-dumps.dump"))
    source.open()
    capture = Capture(source, Kept(tmp_path, "file", NOW), known(), Limits())
    capture.start()
    events = until(capture, lambda _: False)
    assert len(dumps([*events, *capture.stop()])) == 4
    assert kept(tmp_path) == FOUR


@pytest.mark.parametrize(("code", "script"), PROVOKED)
def test_each_problem_is_provoked_by_its_inputs(
    code: str, script: str | bytes, tmp_path: Path
) -> None:
    said = script.encode() if isinstance(script, str) else script
    if said.startswith(b"<named "):
        with pytest.raises(capture_sources.SourceError) as refused:
            capture_sources.source(said[7:-1].decode())
        found = [refused.value.problem]
    else:
        console = Console(said, quiet=0.6)
        capture = Capture(console, Kept(tmp_path, "x", NOW), known(), Limits(0.4, 4096))
        capture.start()
        found = [*until(capture, lambda _: False), *capture.stop()]
        assert kept(tmp_path) == said.replace(b"<quiet>", b"").replace(b"<lost>", b"")
    told = [event for event in found if getattr(event, "code", "") == code]
    assert told and all("{" not in one.sentence() for one in told)
    assert told[0].severity is KINDS[code].severity


def test_problems_without_inputs_are_those_of_a_machine() -> None:
    assert {c for c, kind in KINDS.items() if not kind.provoked_by} == {
        "capture-disk",  # below
        "capture-driver",  # tests/cli/test_capture.py
    }


class FullDisk(Kept):
    """A disk that takes no more than so many bytes."""

    room = 100

    def add(self, data: bytes, at: float) -> None:
        if self.size + len(data) > self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().add(data, at)


def test_what_cannot_be_kept_is_said_and_ends_it(tmp_path: Path) -> None:
    console = Console(b"booting the rig\n<quiet>" + ONE, quiet=0.1)
    capture = Capture(console, FullDisk(tmp_path, "x", NOW), known(), Limits())
    capture.start()
    events = [*until(capture, lambda _: False), *capture.stop()]
    assert codes(events) == ["capture-disk"] and "no space left" in events[0].message
    assert kept(tmp_path) == b"booting the rig\n"


# ---- the files ----


def test_times_are_kept_line_by_line_however_the_bytes_are_cut(tmp_path: Path) -> None:
    files = Kept(tmp_path, "/dev/ttyUSB0", NOW)
    for data, at in ((b"a", 0.0), (b"b\nc", 1.0), (b"\n", 2.0), (b"\n\nd", 3.5), (b"e\n", 4.0)):
        files.add(data, at)
    files.close()
    assert files.raw.name == "dev-ttyUSB0-20260304T091200Z.raw"
    assert files.raw.read_bytes() == b"ab\nc\n\n\nde\n"
    rows = files.times.read_text().splitlines()
    assert rows[0] == "line,at"
    seconds = [float(row.split(":")[-1].rstrip("Z")) for row in rows[1:]]
    assert seconds == [0.0, 1.0, 3.5, 3.5, 3.5]
    assert [int(row.split(",")[0]) for row in rows[1:]] == [1, 2, 3, 4, 5]


def test_two_captures_of_one_second_have_files_of_their_own(tmp_path: Path) -> None:
    first, second = Kept(tmp_path, "x", NOW), Kept(tmp_path, "x", NOW)
    first.add(b"1", 0)
    second.add(b"2", 0)
    first.close()
    second.close()
    assert first.raw.read_bytes() == b"1" and second.raw.read_bytes() == b"2"


def test_files_in_which_nothing_is_are_taken_away(tmp_path: Path) -> None:
    files = Kept(tmp_path, "x", NOW)
    assert files.raw.exists()
    files.close()
    assert list(tmp_path.iterdir()) == []
