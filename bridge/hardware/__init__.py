"""The microcontrollers that the firmware runs on, and what their pins can do."""
