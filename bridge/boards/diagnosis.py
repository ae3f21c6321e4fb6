"""Why a board is not used, in words with the likely cure: what has come from it instead of answers. Pure."""

from __future__ import annotations

from bridge.boards.compatibility import firmware_command, reflash


class Diagnosis:
    """Notes what comes from one board, and names what is wrong with it."""

    def __init__(self, board: str, panel_file: str) -> None:
        self.reflash = reflash(board, panel_file)
        self._firmware = firmware_command(board, panel_file)
        self._only_noise = False  # corrupted frames have come, and no good one since
        self._unusable = ""  # why the last answer could not be used

    def link_opened(self) -> None:
        """Nothing has come yet."""
        self._only_noise = False

    def corrupted(self) -> None:
        """A frame with a wrong checksum came."""
        self._only_noise = True

    def heard(self) -> None:
        """A frame came whole."""
        self._only_noise = False

    def unusable(self, why: str) -> None:
        """A frame came that can't be used."""
        self._unusable = f"{why}. {self.reflash}"

    def usable(self) -> None:
        """An answer came that was used, or none is expected any more."""
        self._unusable = ""

    def silent(self) -> str:
        """Why nothing is heard."""
        if self._only_noise:
            return (
                "only corrupted frames arrive: give board and panel description the same baud rate "
                f"({self._firmware}, and flash it), then look at the cable"
            )
        return "port open, but no board answers: look at its supply and cable"

    def blind(self, introduced: bool) -> str:
        """Why a board that is heard can't be driven."""
        lacks = "answer QUERY" if introduced else "introduce itself"
        return self._unusable or f"sends frames, but does not {lacks}. {self.reflash}"
