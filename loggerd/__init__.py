"""loggerd: reads the instruments of lead-acid banks and keeps the ledger of their cycles.

Folder order is data flow: sources -> decoding -> analysis -> store -> outputs. `model`, `decoding` and
`analysis` are pure: no file, port, database, thread, log, environment or clock. `wiring` puts the parts together.
"""

__version__ = "0.1.0"
