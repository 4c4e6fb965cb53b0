"""Take away what another operating system lacks: loaded first in each process whose path begins with this folder.

What the interpreter's own libraries need on this one is loaded before, or left: they have other ways elsewhere. A
process that runs under this is no other system; it shows what the package itself leans on.
"""

import asyncio
import concurrent.futures.process
import multiprocessing.connection
import multiprocessing.popen_spawn_posix
import multiprocessing.resource_tracker
import os
import signal
import socket
import subprocess
import sys
import sysconfig
import time

LOADED = asyncio, concurrent.futures.process, multiprocessing, socket, subprocess
MODULES = ("fcntl", "resource", "pwd", "grp", "termios", "tty", "pty", "readline", "curses", "syslog")
SIGNALS = (
    *("SIGHUP", "SIGQUIT", "SIGTSTP", "SIGCONT", "SIGKILL", "SIGSTOP", "SIGALRM", "SIGUSR1", "SIGUSR2", "SIGCHLD"),
    *("SIGPIPE", "SIGTTIN", "SIGTTOU", "SIGWINCH", "SIGXCPU", "SIGXFSZ"),
    *("siginterrupt", "setitimer", "alarm", "pause", "sigwait"),
)
OF_SYSTEM = (
    *("fork", "forkpty", "killpg", "setsid", "setpgid", "getpgid", "getuid", "geteuid", "getgid", "getegid"),
    *("pread", "pwrite", "waitid", "P_PID", "WNOWAIT", "mkfifo", "chown", "fchmod", "fchown", "posix_spawn", "nice"),
    *("O_NONBLOCK", "O_CLOEXEC", "O_NOFOLLOW", "O_DIRECTORY", "sched_getaffinity", "getloadavg", "statvfs", "sync"),
)

sysconfig.get_config_vars()
sys.platform = "elsewhere"
multiprocessing.get_all_start_methods = lambda: ["spawn"]
for name in MODULES:
    sys.modules[name] = None  # type: ignore[assignment]  # an import of it fails
for module, names in (
    (signal, SIGNALS),
    (os, OF_SYSTEM),
    (time, [name for name in dir(time) if name.startswith(("CLOCK_", "clock_"))]),
):
    for name in names:
        if hasattr(module, name):
            delattr(module, name)
