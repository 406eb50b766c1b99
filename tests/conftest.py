"""One way to search for counterexamples: the same seed and no deadline, so that a run can be repeated.

The search also draws numbers that stand in the modules loaded so far. So a run repeats for the same choice of test
files; a property must hold whatever is drawn.
"""

import pytest
from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--full", action="store_true", help="tests/faults in full size: hours, as the README's table of promises says"
    )


@pytest.fixture(scope="session")
def full(pytestconfig: pytest.Config) -> bool:
    """Whether the tests that break things are to run in full size."""
    return bool(pytestconfig.getoption("--full"))
