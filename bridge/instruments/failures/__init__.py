"""Failures and normal errors of instruments, for training: what lies between true readings and instruments.

    readings -> failures -> instruments -> pointers

`kinds` lists what can be switched. `stage` holds what is in force and turns true readings into those that
the instruments feel: pressures in the lines (`pneumatic`), spin and tilt of gyros (`gyros`), the field that a
compass follows (`compass`); every instrument follows by itself. A needle that sticks (`needle`) comes after
its instrument. Nothing here is for a real aircraft.

Each failure is either in force or not. What is felt depends on what is in force and on what has happened
since, never on the order in which failures were switched at one time; when the last failure of a system is
undone, what it made is forgotten, and the readings are felt as they are.
"""
