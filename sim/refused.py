"""How the instrument says no."""

from luggin.protocol.link.numbers import Code


class Refused(Exception):
    """A request that is not carried out, with the code and sentence that go to the host."""

    def __init__(self, code: Code, words: str) -> None:
        super().__init__(words)
        self.code = code
