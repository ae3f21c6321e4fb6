// Lamps below the panel: how bright each is, or why it is not lit.

import { el, rebuild } from "./dom.js";
import { number, title } from "./words.js";

const SIGNS = { lit: "●", dark: "○", awaited: "◐", off: "▲" };

export class Lamps {
  constructor(place) {
    this.place = place;
  }

  /** `lamps`: brightness (0 to 1) and state by name. */
  show(lamps) {
    rebuild(this.place, lamps, () =>
      el(
        "ul",
        { class: "lamps", "aria-label": "Lamps" },
        ...Object.entries(lamps).map(([name, [brightness, state]]) => {
          const partly = state === "lit" && brightness < 1;
          const word = partly ? `${number(100 * brightness)} %` : state;
          return el("li", { "data-state": state }, `${SIGNS[state]} ${title(name)} ${word}`);
        }),
      ),
    );
    this.place.hidden = !Object.keys(lamps).length;
  }
}
