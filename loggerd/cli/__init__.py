"""The verbs of the command line, one file each: parse and print only."""

from loggerd.cli import check, cycles, demo, export, import_readings, probe, recompute, replay, run, salvage

VERBS = (check, probe, run, cycles, replay, import_readings, recompute, export, salvage, demo)
"""In the order in which help shows them."""
