/* Put before every file of the core and the bench: their variables go to one section that can be cleared. */
#pragma clang section bss = "board_state"
