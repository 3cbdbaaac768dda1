"""Settings of every test."""

from hypothesis import settings

# No test is judged by a clock: a busy machine is no defect.
settings.register_profile("without a clock", deadline=None)
settings.load_profile("without a clock")
