"""What holds for all tests."""

import gc
import signal

from hypothesis import HealthCheck, settings

# Whoever starts the tests in the background may have Ctrl-C ignored, and so would all programs that tests start.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# Drawn inputs are the same in every run, and no input has a time limit: the outcome is the code's, not the machine's.
settings.register_profile("same", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("explore", settings.get_profile("same"), derandomize=False)  # --hypothesis-profile=explore
settings.load_profile("same")


def pytest_collection_finish() -> None:
    """Spare the garbage collector the million objects of the tests themselves, which it would look at over and over."""
    gc.collect()
    gc.freeze()
