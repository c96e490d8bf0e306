"""Property tests: the same examples on every run, and no time limit an overloaded machine could break."""

from hypothesis import settings

settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")
