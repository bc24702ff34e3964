"""Many simulated banks at once, to judge findings by: other equations than the analysis uses, and none of its code.

Figures without a source are invented so that well-kept banks look like well-kept banks.
"""
