"""The instrument's end of the link, message by message: what LINK.md asks of it."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.link import frame, message
from luggin.protocol.link.codec import decode, encode
from luggin.protocol.link.documents import program_digest, read_capability, write_program
from luggin.protocol.link.message import Message
from luggin.protocol.link.numbers import Code
from luggin.protocol.program import Program
from luggin.sim.firmware import Firmware
from luggin.sim.settings import Settings
from support.bench import hold, program
from support.wired import RUN

PROGRAM = program(hold(0.1, 60.0))


class Talk:
    """Says single messages to a firmware and hears what comes back."""

    def __init__(self, hello: bool = True, **settings: object) -> None:
        self.now = 50.0
        self.firmware = Firmware(Settings.parse({"cell": "dummy-r-rc", **settings}), self.now)
        self.sequence = 0
        self._decoder, self._heard = frame.Decoder(), list[Message]()
        if hello:
            self.say(message.Hello(1))

    @property
    def clock(self) -> float:
        return self.firmware.device.clock(self.now)

    def say(self, *messages: Message) -> list[Message]:
        self.firmware.receive(b"".join(frame.encode(encode(each)) for each in messages), self.now)
        return self.hear()

    def hear(self) -> list[Message]:
        """All that was said since the last time."""
        while data := self.firmware.frame(self.now):
            assert len(data) <= frame.LARGEST_FRAME
            self._heard += map(decode, self._decoder.feed(data))
        heard, self._heard = self._heard, []
        return heard

    def ask(self, request: message.Request) -> Message:
        self.sequence += 1
        return self.say(replace(request, sequence=self.sequence))[0]

    def load(self, wanted: Program = PROGRAM) -> Message:
        encoded = write_program(wanted)
        for offset in range(0, len(encoded), 400):
            assert isinstance(self.ask(message.Upload(0, offset, encoded[offset : offset + 400])), message.Done)
        return self.ask(message.Arm(0, RUN, len(encoded), program_digest(encoded)))

    def start(self, wanted: Program = PROGRAM) -> Message:
        self.load(wanted)
        return self.ask(message.Start(0, RUN, self.clock))

    def pass_time(self, seconds: float, line_is_free: bool = True) -> None:
        until = self.now + seconds
        while self.now < until:
            due = self.firmware.wakeup(self.now)
            self.now = min(until, max(self.now + 1e-6, until if due is None else due))
            self.firmware.advance(self.now)
            if line_is_free:
                self._heard = self.hear()


def refusal(answer: Message) -> Code:
    assert isinstance(answer, message.Refusal)
    assert answer.sentence
    return answer.code


# Session


def test_without_a_session_only_cell_off_is_obeyed() -> None:
    talk = Talk(hello=False)
    assert refusal(talk.say(message.AskStatus(3))[0]) is Code.NO_SESSION
    (receipt,) = talk.say(message.CellOff(4))
    assert isinstance(receipt, message.OffReceipt)
    assert receipt.receipt.cell is Cell.OFF
    talk.pass_time(10.0)
    assert talk.hear() == []  # nothing is said without being asked


def test_every_hello_is_welcomed_and_repeating_it_changes_nothing() -> None:
    talk = Talk()
    assert isinstance(talk.start(), message.Done)
    (welcome,) = (each for each in talk.say(message.Hello(1)) if isinstance(each, message.Welcome))
    assert welcome.session == 1
    assert welcome.identity.maker == "luggin"
    assert welcome.clock == talk.clock
    talk.pass_time(2.0)
    assert any(isinstance(each, message.Points) for each in talk.hear())


def test_a_new_session_changes_nothing_but_waits_with_points_until_they_are_asked_for() -> None:
    talk = Talk()
    talk.start()
    talk.pass_time(2.0)
    talk.hear()
    (welcome,) = talk.say(message.Hello(2))
    assert isinstance(welcome, message.Welcome)
    talk.pass_time(2.0)
    assert talk.hear() == []
    report = talk.say(message.AskStatus(1))[0]
    assert isinstance(report, message.Report)
    assert report.status.activity is Activity.RUNNING
    assert report.status.silence == pytest.approx(4.0)
    answer, *points = talk.say(message.Replay(2, RUN, 5))
    assert answer == message.ReplayFrom(2, 5)
    assert isinstance(points[0], message.Points)
    assert points[0].batch.first == 5


def test_the_capability_comes_in_pieces_with_its_checksum() -> None:
    talk = Talk(model="field")
    (welcome,) = talk.say(message.Hello(9))
    assert isinstance(welcome, message.Welcome)
    encoded = b""
    while len(encoded) < welcome.capability_size:
        piece = talk.ask(message.AskCapability(0, len(encoded)))
        assert isinstance(piece, message.Chunk)
        encoded += piece.data
    assert read_capability(encoded) == talk.firmware.device.capability
    assert refusal(talk.ask(message.AskCapability(0, len(encoded)))) is Code.OUT_OF_RANGE


def test_frames_are_no_longer_than_the_host_can_take() -> None:
    talk = Talk(hello=False, speed=100.0)
    talk.say(message.Hello(1, largest_frame=200))
    assert isinstance(talk.start(), message.Done)
    talk.pass_time(0.5, line_is_free=False)
    sizes = []
    while data := talk.firmware.frame(talk.now):
        sizes.append(len(data))
    assert len(sizes) > 3
    assert max(sizes) <= 200


# Order


def test_an_ordered_request_heard_twice_is_carried_out_once_and_answered_twice() -> None:
    talk = Talk()
    talk.load()
    start = message.Start(talk.sequence + 1, RUN, talk.clock)
    assert isinstance(talk.say(start)[0], message.Done)
    talk.say(message.CellOff(talk.sequence + 2))
    assert talk.say(start)[0] == message.Done(start.sequence)
    assert talk.firmware.device.activity is Activity.ENDED


def test_an_ordered_request_that_comes_after_cell_off_is_stale() -> None:
    talk = Talk()
    talk.load()
    talk.say(message.CellOff(talk.sequence + 2))
    assert refusal(talk.say(message.Start(talk.sequence + 1, RUN, talk.clock))[0]) is Code.STALE
    assert talk.firmware.device.activity is Activity.IDLE


def test_only_the_last_answers_are_remembered() -> None:
    talk = Talk()
    first = message.Upload(1, 0, b"first")
    assert talk.say(first) == [message.Done(1)]
    for sequence in range(2, 10):
        talk.say(message.Upload(sequence, 0, b"again"))
    assert refusal(talk.say(first)[0]) is Code.STALE
    assert talk.say(message.Upload(5, 0, b"?")) == [message.Done(5)]


def test_cell_off_overtakes_all_answers_and_points() -> None:
    talk = Talk(speed=100.0)
    talk.start()
    talk.pass_time(1.0, line_is_free=False)
    heard = talk.say(message.AskStatus(90), message.AskReading(91), message.CellOff(92))
    assert isinstance(heard[0], message.OffReceipt)
    kinds = [type(each) for each in heard]
    assert kinds.index(message.ReadingReport) < kinds.index(message.Points)


def test_reports_say_what_went_out_before_them() -> None:
    talk = Talk(speed=10.0)
    talk.start(program(hold(0.1, 3.0)))
    sent = 0
    talk.pass_time(1.0)
    for each in talk.hear():
        if isinstance(each, message.Report):
            assert each.sent == sent
        elif isinstance(each, message.Points):
            assert each.batch.first == sent
            sent = each.batch.after
    assert sent == 30
    report = talk.ask(message.AskStatus(0))
    assert isinstance(report, message.Report)
    assert report.sent == report.status.next == 30


def test_changes_are_reported_by_themselves() -> None:
    talk = Talk()
    talk.load()
    talk.pass_time(0.1)
    talk.hear()
    talk.ask(message.Start(0, RUN, talk.clock))
    talk.pass_time(61.0)
    reports = [each.status for each in talk.hear() if isinstance(each, message.Report)]
    assert [status.activity for status in reports][-1] is Activity.ENDED
    assert reports[-1].outcome is Outcome.DEAD_MAN  # nobody said that all was well


def test_single_points_wait_no_longer_than_a_tenth_of_a_second() -> None:
    talk = Talk()
    talk.start(program(hold(0.1, 60.0, 1.0)))
    talk.hear()
    talk.pass_time(1.01)
    assert not any(isinstance(each, message.Points) for each in talk.hear())
    due = talk.firmware.wakeup(talk.now)
    assert due is not None
    assert due - talk.now <= 0.1
    talk.pass_time(0.11)
    assert any(isinstance(each, message.Points) for each in talk.hear())


# Programs


def test_what_is_no_program_for_it_is_refused_before_anything_is_energised() -> None:
    talk = Talk(model="field")
    assert refusal(talk.load(program(hold(1e-6, 1.0, control="current")))) is Code.NOT_EXECUTABLE
    assert refusal(talk.load(program(hold(3.0, 1.0)))) is Code.NOT_EXECUTABLE
    encoded = write_program(PROGRAM)
    assert refusal(talk.ask(message.Arm(0, RUN, len(encoded), program_digest(encoded)))) is Code.WRONG_HASH
    assert refusal(talk.ask(message.Upload(0, 60_000, b"x"))) is Code.OUT_OF_RANGE
    talk.ask(message.Upload(0, 0, b"no program"))
    assert refusal(talk.ask(message.Arm(0, RUN, 10, program_digest(b"no program")))) is Code.NOT_EXECUTABLE
    assert talk.firmware.device.activity is Activity.IDLE


def test_a_program_too_large_for_its_memory_is_refused() -> None:
    talk = Talk()
    offset, piece = 0, bytes(480)
    while isinstance(answer := talk.ask(message.Upload(0, offset, piece)), message.Done):
        offset += 480
    assert refusal(answer) is Code.NOT_EXECUTABLE
    assert offset <= talk.firmware.device.capability.largest_program < offset + 480


def test_points_that_wait_keep_the_next_program_out() -> None:
    talk = Talk(speed=100.0)
    talk.start(program(hold(0.1, 3.0)))
    talk.pass_time(1.0)
    talk.hear()
    assert refusal(talk.load()) is Code.POINTS_HELD
    assert refusal(talk.ask(message.Acknowledge(0, "run-2", 30))) is Code.WRONG_RUN
    assert refusal(talk.ask(message.Acknowledge(0, RUN, 31))) is Code.OUT_OF_RANGE
    assert talk.ask(message.Acknowledge(0, RUN, 29)) == message.Done(talk.sequence)
    assert talk.firmware.device.status(talk.now).activity is Activity.ENDED
    talk.ask(message.Acknowledge(0, RUN, 30))
    assert talk.firmware.device.status(talk.now).activity is Activity.IDLE
    assert isinstance(talk.load(), message.Done)


def test_the_wrong_run_does_not_start() -> None:
    talk = Talk()
    talk.load()
    assert refusal(talk.ask(message.Start(0, "run-2", talk.clock))) is Code.WRONG_RUN
    assert talk.firmware.device.status(talk.now).cell is Cell.OFF


# Points


def test_a_full_buffer_overwrites_the_oldest_and_counts_them() -> None:
    talk = Talk(speed=100.0, buffer=50)
    talk.start(program(hold(0.1, 8.0)))
    talk.say(message.Hello(2))
    talk.pass_time(1.0)
    report = talk.say(message.AskStatus(1))[0]
    assert isinstance(report, message.Report)
    assert (report.status.oldest, report.status.next, report.status.lost) == (30, 80, 30)
    answer, first, *_ = talk.say(message.Replay(2, RUN, 0))
    assert answer == message.ReplayFrom(2, 30)
    assert isinstance(first, message.Points)
    assert first.batch.first == 30


def test_acknowledged_points_are_forgotten_and_lost_to_nobody() -> None:
    talk = Talk(speed=100.0, buffer=50)
    talk.start(program(hold(0.1, 8.0)))
    for _ in range(10):
        talk.pass_time(0.01)
        talk.hear()
        talk.ask(message.KeepAlive(0, talk.clock))
        talk.ask(message.Acknowledge(0, RUN, talk.firmware.device.status(talk.now).next))
    status = talk.firmware.device.status(talk.now)
    assert (status.oldest, status.next, status.lost) == (80, 80, 0)
    assert refusal(talk.ask(message.Replay(0, RUN, 81))) is Code.OUT_OF_RANGE


def test_a_reboot_forgets_everything_and_opens_the_cell() -> None:
    talk = Talk()
    talk.start()
    before = talk.firmware.device.status(talk.now)
    assert before.cell is Cell.ON
    talk.firmware.reboot(talk.now)
    after = talk.firmware.device.status(talk.now)
    assert after.boot != before.boot
    assert (after.cell, after.activity, after.run, after.clock) == (Cell.OFF, Activity.IDLE, None, 0.0)
    assert refusal(talk.say(message.AskStatus(1))[0]) is Code.NO_SESSION


def test_what_an_idle_instrument_reads() -> None:
    talk = Talk(cell="redox-probe", model="field", battery=0.5)
    talk.pass_time(3600.0)
    answer = talk.ask(message.AskReading(0))
    assert isinstance(answer, message.ReadingReport)
    reading = answer.reading
    assert reading.cell is Cell.OFF
    assert reading.potential is not None
    assert reading.current is reading.current_range is reading.cell_voltage is None
    assert reading.battery == pytest.approx(0.5 - 1 / 12)
    assert reading.temperature == 298.15


# Whatever comes in


@given(st.lists(st.binary(max_size=80), max_size=10), st.booleans())
def test_no_bytes_whatever_upset_it(pieces: list[bytes], as_frames: bool) -> None:
    talk = Talk()
    talk.start()
    for piece in pieces:
        talk.firmware.receive(frame.encode(piece) if as_frames and piece else piece, talk.now)
    talk.firmware.receive(b"\0", talk.now)
    heard = talk.hear()
    assert all(refusal(each) is Code.NOT_UNDERSTOOD for each in heard if isinstance(each, message.Refusal))
    assert talk.firmware.device.activity is Activity.RUNNING


def test_a_message_of_an_unknown_kind_is_not_understood() -> None:
    from luggin.protocol.link import cbor

    talk = Talk()
    talk.firmware.receive(frame.encode(cbor.dump([99, 7, "new"])), talk.now)
    (answer,) = talk.hear()
    assert refusal(answer) is Code.NOT_UNDERSTOOD
    assert isinstance(answer, message.Refusal)
    assert answer.sequence == 7
