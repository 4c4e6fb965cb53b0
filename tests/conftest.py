"""What holds for all tests."""

import signal

# Whoever starts the tests in the background may have Ctrl-C ignored, and so would all programs that tests start.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
