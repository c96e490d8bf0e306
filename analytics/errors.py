"""What the analytics refuse, each with the reason and what to do instead."""


class AnalyticsError(ValueError):
    """Base of every refusal; ``str(error)`` is fit to show a person."""


class InvalidObservations(AnalyticsError):
    """The observations contradict themselves (exit before entry, negative age, unknown outcome)."""


class TooFewEvents(AnalyticsError):
    """The data cannot carry the estimate that was asked for."""


class UnknownComponent(AnalyticsError):
    """No prior and no data: there is nothing to estimate from."""
