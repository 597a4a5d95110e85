"""The payloads of MQTT messages and of the local socket: JSON objects, each with its schema version.

Times called `utc` are seconds since 1970 by the daemon's wall clock, for people; nothing is decided by them.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from luggin.protocol.instrument import Cell
from luggin.protocol.sequence.progress import Status
from luggin.protocol.unit import State

Segment = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")]
Subject = Annotated[str, Field(pattern=r"^(node|[a-z-]{1,32}/\S(.{0,126}\S)?)$")]
"""What an evaluation tells of: run/<name>, instrument/<name>, electrode/<name>, sample/<name> ..., or node."""
MOST_COMMAND_BYTES = 96 * 1024
MOST_RUNS_EVALUATED = 64
MOST_POINTS_ASKED = 5000


class Payload(BaseModel):
    """Base: immutable; a receiver of an older minor version ignores fields it doesn't know, commands refuse them."""

    model_config = ConfigDict(frozen=True, ser_json_inf_nan="null")

    version: Literal[1] = 1


class NodeStatus(Payload):
    """`daemon` is new with every start of the daemon: it tells two of the same name apart."""

    node: Segment
    online: bool
    software: str
    instruments: tuple[str, ...] = ()
    daemon: str = ""
    machine: str = Field("", description="name of the computer on which the daemon runs")
    utc: float | None = None


class Claim(Payload):
    """A daemon is about to bear this name; another one that bears it says its status again."""

    node: Segment
    daemon: str


class InstrumentState(Payload):
    """The retained state of one instrument.  `token` is what the next start or unhold must quote."""

    node: Segment
    instrument: Segment
    state: State
    run: str | None = None
    link: Literal["up", "lost"]
    link_since: float = Field(description="utc since when the link is up or lost")
    cell: Cell
    cell_read: float | None = Field(None, description="utc of the last read-back of the cell's relay")
    token: str
    reason: str = Field("", description="one sentence: why the unit is where it is")
    utc: float


class Health(Payload):
    node: Segment
    instrument: Segment
    maker: str | None = None
    model: str | None = None
    serial: str | None = None
    firmware: str | None = None
    battery: float | None = Field(None, description="share of full, 0 to 1")
    temperature: float | None = Field(None, description="K")
    signal_strength: float | None = Field(
        None, description="dBm, as the instrument measures it, else as heard when the link was made"
    )
    potential: float | None = Field(None, description="V, last reading")
    current: float | None = Field(None, description="A, last reading")
    unpublished: int = Field(0, description="points stored but not yet taken by the broker")
    utc: float


class Alarm(Payload):
    """The retained alarm of one instrument; `active` false clears it.

    Until somebody acknowledges it, it is published again now and then; `told` counts how often it was.
    """

    node: Segment
    instrument: Segment
    active: bool
    kind: str = ""
    sentence: str = ""
    since: float | None = None
    acknowledged_by: str = Field("", description="who said that he knows")
    acknowledged: float | None = Field(None, description="utc at which")
    told: int = 0
    utc: float


class Progress(Payload):
    node: Segment
    instrument: Segment
    run: str
    phase: int
    phase_name: str
    cycle: int
    points: int
    run_time: float = Field(description="s of instrument time since the start of the run")
    longest: float = Field(description="s, upper bound of the duration of the run")
    utc: float


class SequenceState(Payload):
    """The retained state of the sequence of one instrument; `status` None when there is none or nobody remembers it.

    An answer quotes `prompt` and the token of the instrument's state.
    """

    node: Segment
    instrument: Segment
    sequence: str | None = Field(None, description="name of this execution")
    name: str = Field("", description="of the document")
    status: Status | None = None
    reason: str = Field("", description="one sentence: why it stands where it stands")
    doing: str = Field(
        "nothing", description="starting or running a run, prompting a person, waiting, evaluating all runs, or nothing"
    )
    run: str | None = None
    label: str = Field("", description="of the present step")
    runs: int = Field(0, description="runs begun")
    turns: tuple[int, ...] = Field((), description="turn of each loop around the present step, from the outermost in")
    missed: int = Field(0, description="turns left out because the one before took too long")
    prompt: int | None = Field(None, description="number of the prompt that waits for an answer")
    due: float | None = Field(None, description="utc at which it goes on by itself")
    evaluation: str = Field("", description="what was computed from all its runs")
    utc: float


class RunHeader(Payload):
    """Everything needed to understand and repeat a run, published when it starts."""

    node: Segment
    instrument: Segment
    run: str
    method: dict[str, Any]
    program: dict[str, Any]
    bounds: dict[str, Any]
    identity: dict[str, Any]
    boot: str
    settings: dict[str, Any] = Field(description="the instrument's section of the configuration, without secrets")
    software: str
    asked_by: str
    verified: bool = Field(description="whether the broker vouches for asked_by")
    columns: dict[str, str] = Field(description="name of each column and its SI unit")
    doubts: tuple[str, ...] = Field((), description="why its result is flagged whatever comes: what was not fit")
    utc: float


class Points(Payload):
    """A batch: column name to list of numbers; null where a value doesn't exist.  `live` false marks backlog."""

    run: str
    boot: str
    first: int
    count: int
    live: bool
    columns: dict[str, list[float | int | None]]


class RunEvent(Payload):
    run: str
    number: int = Field(description="counted from 0 within the run")
    kind: str
    sentence: str
    data: dict[str, Any] = {}
    utc: float
    hash: str = Field("", description="SHA-256, hexadecimal, of the hash of the event before it and of this event")


class RunResult(Payload):
    """How a run ended.  Who keeps `hash` can tell later whether anything of the run was altered since."""

    run: str
    state: Literal["Complete", "Stopped", "Aborted"]
    outcome: str
    sentence: str
    points: int
    gaps: list[tuple[int, int]] = Field(description="index ranges [first, after) that are lost for good")
    cell: Cell
    flagged: bool
    utc: float
    seal: str = Field("", description="JSON: `spans` of indices, and of each of `columns` the SHA-256 of its values")
    hash: str = Field("", description="SHA-256, hexadecimal, of the hash of the event before it, this result and seal")


class Evaluation(Payload):
    """What was computed from stored runs, as it is stored: it is never changed, a newer one stands beside it.

    It is published under each of its runs, and without its body where that is too large for the broker; the store
    answers for it (`evaluation`).
    """

    name: Segment
    kind: Segment
    subject: Subject
    runs: tuple[Segment, ...] = Field(max_length=MOST_RUNS_EVALUATED, description="runs that it was computed from")
    settings: dict[str, Any] = Field(description="complete settings, so that it can be made again")
    body: dict[str, Any] | None = Field(description="what was found; its form belongs to the kind")
    warnings: tuple[str, ...] = Field((), description="what makes it doubtful, a sentence each")
    software: str
    asked_by: str
    verified: bool = Field(description="whether asked_by is vouched for")
    utc: float
    expires: float | None = Field(None, description="utc after which it is not to be relied upon")


class Command(BaseModel):
    """What every command carries.  `reply_to` must be the sender's own reply topic, or empty for no reply."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    version: Literal[1] = 1
    request: Segment
    reply_to: str = Field("", max_length=300)


class Start(Command):
    token: str = Field(max_length=64)
    method: dict[str, Any]


class Unhold(Command):
    token: str = Field(max_length=64)


class Plain(Command):
    """hold, stop, abort, clear."""


class StartSequence(Command):
    """Begin a sequence: its first run starts at once, so it is as fresh as a start."""

    token: str = Field(max_length=64)
    sequence: dict[str, Any]


class Answer(Command):
    """A person has done what a sequence asked for; the runs that follow start."""

    token: str = Field(max_length=64)
    prompt: int = Field(ge=1)
    words: str = Field("", max_length=500)


class Attest(Command):
    """A named person states that the cell of an unreachable instrument is off."""

    person: str = Field(min_length=2, max_length=64)
    statement: str = Field(min_length=5, max_length=500)


class Acknowledge(Command):
    """A named person has taken note of the alarm."""

    person: str = Field(min_length=2, max_length=64)


class AskRuns(Command):
    """The newest runs of this node's store, at most `limit` and as many as an answer holds; deleted ones are left out,
    or all that is told.  Each field that is not empty is a condition; upper and lower case are the same."""

    limit: int = Field(50, ge=1, le=500)
    before: str = Field("", max_length=64, description="name of the run that the answer goes on from")
    deleted: bool = False
    instrument: str = Field("", max_length=64)
    technique: str = Field("", max_length=64)
    method: str = Field("", max_length=64)
    electrode: str = Field("", max_length=64)
    reference: str = Field("", max_length=64)
    sample: str = Field("", max_length=128)
    tag: str = Field("", max_length=200, description="one of the method's tags")
    sequence: str = Field("", max_length=64, description="name of the execution of a sequence")
    text: str = Field("", max_length=200, description="stands in the method's name, notes, or what it says of the cell")
    since: float | None = Field(None, description="start, s since 1970")
    until: float | None = Field(None, description="start before this, s since 1970")


class AskRun(Command):
    """Header, result and gaps of a run, and as many of its events as an answer holds, from number `event` on."""

    run: Segment
    event: int = Field(0, ge=0)


class AskPoints(Command):
    """Points [first, first + count) of a run, as far as they exist."""

    run: Segment
    first: int = Field(ge=0)
    count: int = Field(ge=1, le=MOST_POINTS_ASKED)


class AskEvaluations(Command):
    """The newest evaluations, at most `limit`, of this kind, subject and run; without their bodies."""

    kind: str = Field("", max_length=64)
    subject: str = Field("", max_length=200)
    run: str = Field("", max_length=64)
    limit: int = Field(50, ge=1, le=500)
    before: str = Field("", max_length=64, description="name of the evaluation that the answer goes on from")


class AskEvaluation(Command):
    """The JSON text of an evaluation from character number `first` on, as much of it as an answer holds."""

    name: Segment
    first: int = Field(0, ge=0)


class Evaluate(Command):
    """Evaluate stored runs anew; what is stored already stays.  The reply names the new evaluation."""

    kind: Segment
    runs: tuple[Segment, ...] = Field(min_length=1, max_length=MOST_RUNS_EVALUATED)
    settings: dict[str, Any] = {}


class Note(Command):
    """Keep what a person did to, or saw of, an electrode or another thing; it is stored with who said so and when."""

    subject: Subject
    text: str = Field(min_length=2, max_length=1000)


class Check(Command):
    """Whether this instrument can execute a method now; nothing is touched.  The reply lists every problem."""

    method: dict[str, Any]


class Describe(Command):
    """What this instrument can do, and what the configuration says of its cell; nothing is touched."""


class EndDaemon(Command):
    """End the daemon.  `leave_runs` leaves runs to their instruments and to the next daemon; else cells are opened."""

    leave_runs: bool


class DeleteRun(Command):
    """Leave a run that has ended out of lists, publication and exports until it is restored."""

    run: Segment
    reason: str = Field(min_length=3, max_length=500)


class RestoreRun(Command):
    run: Segment


class ImportRuns(Command):
    """Take the runs of another store file on this machine, and their evaluations, as they are there."""

    path: str = Field(min_length=1, max_length=4096, description="of the file, which stays as it is")


class PurgeRun(Command):
    """Take a deleted run out of the store for good."""

    run: Segment


COMMANDS: dict[str, type[Command]] = {
    "start": Start,
    "hold": Plain,
    "unhold": Unhold,
    "stop": Plain,
    "abort": Plain,
    "clear": Plain,
    "attest": Attest,
    "check": Check,
    "describe": Describe,
    "sequence": StartSequence,
    "sequence-hold": Plain,
    "sequence-unhold": Unhold,
    "sequence-skip": Plain,
    "sequence-stop": Plain,
    "sequence-abort": Plain,
    "answer": Answer,
    "acknowledge": Acknowledge,
}
QUESTIONS: dict[str, type[Command]] = {
    "runs": AskRuns,
    "run": AskRun,
    "points": AskPoints,
    "evaluations": AskEvaluations,
    "evaluation": AskEvaluation,
}
STORE_COMMANDS: dict[str, type[Command]] = {"evaluate": Evaluate, "note": Note}
"""What the store is told to do, where a question only asks."""
LOCAL_ORDERS: dict[str, type[Command]] = {
    "shutdown": EndDaemon,
    "delete": DeleteRun,
    "restore": RestoreRun,
    "purge": PurgeRun,
    "import": ImportRuns,
}
"""What only the daemon's own user may order, over the socket on its machine."""


class Reply(Payload):
    """The answer to one command.  `accepted` says that it was carried out or set going; `sentence` says why not."""

    request: str
    accepted: bool
    sentence: str = ""
    run: str | None = None
    problems: list[str] = []
    data: dict[str, Any] = {}
