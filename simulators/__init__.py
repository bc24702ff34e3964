"""Simulated banks and the instruments that read them, for demonstrations, tests and fault injection.

All physics, sites, instruments and register layouts here are invented: nothing in this package is a measurement
or a description of a real product. The analysis is never checked against these models.
"""
