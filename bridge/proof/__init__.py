"""Acceptance tests of a gauge: what is tested, how it is driven and read, what the readings prove.

    published tables -> plan -> run (drives, asks for readings) -> evaluation -> record (JSON), sheet

Nothing here certifies anything for a real aircraft.
"""
