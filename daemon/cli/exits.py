"""Exit codes of the luggin command, and the error that carries one with its sentence."""

OK = 0
FAILED = 1  # the request was refused or the thing asked for went wrong
USAGE = 2  # the command line itself is wrong (argparse uses the same code)
BAD_DOCUMENT = 3  # a method, configuration or other document can't be used
NOT_REACHABLE = 4  # no daemon, broker, instrument or store answered
ABORTED = 5  # the run ended Aborted
CELL_UNKNOWN = 6  # a cell could not be confirmed off
INTERRUPTED = 130  # Ctrl-C

MEANING = {
    OK: "done",
    FAILED: "refused or failed; the sentence on stderr says why",
    USAGE: "the command line is wrong",
    BAD_DOCUMENT: "a method, configuration or other document can't be used",
    NOT_REACHABLE: "no daemon, broker, instrument or store answered",
    ABORTED: "the run ended Aborted",
    CELL_UNKNOWN: "a cell could not be confirmed off",
    INTERRUPTED: "interrupted from the keyboard",
}


class CliError(Exception):
    """Ends a command with a sentence for its user."""

    def __init__(self, sentence: str, code: int = FAILED) -> None:
        super().__init__(sentence)
        self.code = code
