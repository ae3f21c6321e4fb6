"""Readings to indications: air data, derivation, filters, what each instrument shows."""
