"""What an analysis says when there is nothing to compute."""


class AnalysisError(ValueError):
    """The data cannot yield the number asked for; the message is one sentence to show as it stands."""
