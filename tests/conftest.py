"""Property tests draw the same examples every time, so that a run says something about the code."""

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")
