"""The report of a flight: how far each pointer was off, when it was worst and why, on one page of its own.

snapshots (flown) or rows (a trace) -> tracks -> analysis, causes -> charts, page
"""
