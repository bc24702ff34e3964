"""The verbs of the command line, one file each: parse and print only."""

from loggerd.cli import (
    alarms,
    check,
    cycles,
    demo,
    export,
    findings,
    import_readings,
    limits,
    log,
    mail,
    probe,
    recompute,
    replay,
    run,
    salvage,
)

VERBS = (
    check,
    limits,
    probe,
    run,
    cycles,
    findings,
    alarms,
    log,
    mail,
    replay,
    import_readings,
    recompute,
    export,
    salvage,
    demo,
)
"""In the order in which help shows them."""
