"""What holds for all tests: examples of Hypothesis are the same in every run, and never timed."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("same every time", derandomize=True, deadline=None)
settings.load_profile("same every time")
