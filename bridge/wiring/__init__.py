"""The wiring sheet: what goes to which pin, what to buy, what it draws, what to beware of."""
