"""One way to search for counterexamples: the same seed and no deadline, so that a run can be repeated.

The search also draws numbers that stand in the modules loaded so far. So a run repeats for the same choice of test
files; a property must hold whatever is drawn.
"""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
