"""The firmware under test: as a process (here), and as machine code on an emulated microcontroller (avr/)."""
