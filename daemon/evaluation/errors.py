"""Why there is no evaluation."""


class EvaluationError(Exception):
    """The runs can't be evaluated so, or the computing failed; the text is one sentence to show as it stands."""
