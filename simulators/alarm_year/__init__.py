"""A year of banks with the alarms and mails that the service would make of them: quiet when healthy, in time when not.

Readings come from `simulators.judging`; folds, conditions, desk and planning of mails are those of the service.
"""
