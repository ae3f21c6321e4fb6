"""What a builder must know before the first wire. Shown at the head of every sheet."""

CAUTIONS = (
    "This is a toy panel. Nothing here is for a real aircraft, or may be fitted to one.",
    "Local electrical codes come first. Whatever they reserve for licensed people (fixed wiring, anything "
    "at mains voltage) is theirs to do: have it done.",
    "Use closed, approved mains adapters with a low-voltage output, and never open one. Keep the whole "
    "panel below 30 V DC.",
    "Motors get a supply of their own, but for gauge steppers of some 20 mA on the board's pins. Never "
    "feed another from the board's supply pins or from a USB socket. Join the grounds of motor supply "
    "and board at one point.",
    "Put the fuse named here in the positive lead, close to the supply. Set the current limit of a bench "
    "supply before you connect it, and start low.",
    "Never plug or unplug a motor while its driver has power: the spark of the coil kills the driver. "
    "Power off, wait for the capacitors to empty, then touch the wires.",
    "Every coil kicks back. Use drivers with clamp diodes inside, or fit the diodes in the list.",
    "A diode needs its resistor: without one it burns, and so may the pin. The values here are for the "
    "diodes described, at the supply described. Do not stare into a bright one.",
    "Set the current limit of a step/direction driver to the motor's rated current before the first run.",
    "Motors, drivers and regulators get hot, a held stepper hottest of all. Let air pass, keep them from "
    "plastic and paper, let no one touch them, and switch off when you leave.",
    "Pointers and servos move without warning and pinch. Keep fingers, hair and eyes away while powered.",
    "Lithium cells: only with a protection circuit and a charger made for them, never left charging "
    "alone, never pierced, bent or covered.",
    "Check polarity and shorts with a meter before power goes on; measure the supply without load first.",
    "Coil A+ and A- are both ends of one coil, B+ and B- of the other: find the pairs with a "
    "meter, power off. Coils 1 to 4 are in the order in which the motor steps through them.",
    "Currents are worked out from the description and the motor catalogue. Measure your own motors.",
)
