"""Alarms: the standard's life cycle, the conditions that raise them, and the desk that follows them. Pure."""
