"""The help of the program; made by ``python -m emulator.cli.main``."""

HELP = """\
Usage: queuedrill [OPTIONS] COMMAND [ARGS]...

  Rehearse a night of unattended jobs on emulated workers, in virtual time.

  A rehearsal is a model: it supports and does not replace the organisation's
  own change control. Nothing in a scenario file runs a command or touches a
  network.

  Exit code: 0 all requirements are met, 1 one is missed, 2 the input is
  wrong, 3 a defect of this program.

Options:
  --version   Show the version and exit.
  -h, --help  Show this message and exit.

Commands:
  brief       Write a page for a board that decides on a change.
  check       Read scenarios without running them, and name what is wrong.
  compare     Compare variants, or scenarios, over many nights.
  drift       Tell whether new nights have left those of a draft.
  export      Give a log to other programs, in an open format.
  forecast    Tell when requirements will be missed as things grow.
  guesses     Tell on which guessed values the verdicts rest.
  hindcast    Predict past nights that the draft has not seen, and judge that.
  hunt        Look for the smallest faults that break a requirement.
  page        Show a log as one HTML page that needs no network.
  reproduce   Run what a log records once more, and compare the events.
  rerun       Tell whether a script may be cut off and run again.
  run         Run one night of each scenario, and print its summary.
  schema      Print the JSON Schema of scenario files, for editors.
  size        Find the smallest value that is large enough.
  sketch      Draft a scenario from an export of past jobs.
  story       Tell what happened to a job, a worker or a requirement, and why.
  thresholds  Say which values of which signals are an alarm.
  trail       Show the events of a log, filtered; follow a run that goes on.
  watch       Watch one night go by, with keys for its speed.
"""
