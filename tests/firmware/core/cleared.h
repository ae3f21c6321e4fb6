/* Put before every file of the core and the plant: their variables go to one section that can be cleared. */
#pragma clang section bss = "board_state"
