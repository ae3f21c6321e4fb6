"""Boards: wire format, session, and the links that carry it."""
