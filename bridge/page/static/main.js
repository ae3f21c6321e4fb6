// Joins the parts of the page: the line to the program, four views, stop, lighting.

import { Bench } from "./bench.js";
import { put } from "./dom.js";
import { Health, summary } from "./health.js";
import { Lamps } from "./lamps.js";
import { Link } from "./link.js";
import { Panel } from "./panel.js";
import { Reading } from "./reading.js";
import { Replay } from "./replay.js";
import { TRAINEE, Training } from "./training.js";

const $ = (id) => document.getElementById(id);
const VIEWS = ["panel", "bench", "health", "training"];

/** What the browser keeps; a browser that keeps nothing works too. */
function kept(store, key) {
  try {
    return store.getItem(key);
  } catch {
    return null;
  }
}

function keep(store, key, value) {
  try {
    store.setItem(key, value);
  } catch {
    // Private windows may refuse: it is asked for again next time.
  }
}

// A link with a token opens the bench to this browser; it stays out of the address bar and of the history.
const token = /^#token=(.+)$/.exec(location.hash)?.[1];
if (token) {
  keep(sessionStorage, "token", decodeURIComponent(token));
  history.replaceState(null, "", location.pathname);
}

function introduce() {
  const fields = {};
  const key = kept(sessionStorage, "token");
  // Under the name that it had, a browser that comes back soon still holds its gauge.
  const name = kept(sessionStorage, "name") ?? kept(localStorage, "name");
  if (key && location.search !== TRAINEE) fields.token = key;
  if (name) fields.name = name;
  return fields;
}

const link = new Link(introduce);
const panel = new Panel($("gauges"));
const lamps = new Lamps($("lamps"));
const health = new Health($("health-body"));
const training = new Training($("training-body"), (name, fields) => link.do(name, fields));
const bench = new Bench($("bench-body"), {
  command: (name, fields) => link.do(name, fields),
  rename: (name) => {
    keep(localStorage, "name", name);
    keep(sessionStorage, "name", name);
    return link.enter();
  },
  holding: (gauges) => (link.holding = gauges),
});
const replay = new Replay($("replay"), async (name, fields) => {
  const error = await link.do(name, fields);
  if (error) speak(error);
});

const reading = new Reading($("reading"), (name, fields) => link.do(name, fields));

let you = { name: "", may_move: false };
let described = null;
let latestHealth = null;
let latestBench = null;
let stopped = null;
let refusal = "";
const REFUSAL_MS = 8000;

function speak(text) {
  put($("spoken"), "");
  put($("spoken"), text);
}

// -- messages ---------------------------------------------------------------------------------------

link.addEventListener("you", ({ detail }) => {
  you = detail;
  keep(sessionStorage, "name", you.name);
  bench.introduce(you);
  training.introduce(you);
  if (described) replay.describe(described.replay, you.may_move);
});

link.addEventListener("panel", ({ detail }) => {
  described = detail;
  put($("panel-name"), detail.name);
  const virtual = detail.boards.filter((board) => board.virtual).map((board) => board.name);
  const which = virtual.length === detail.boards.length ? "all boards" : virtual.join(", ");
  put($("virtual"), virtual.length ? `virtual: ${which}` : "");
  document.title = `${detail.name} – Pointer Bridge`;
  panel.describe(detail);
  panel.health(latestHealth, latestBench);
  replay.describe(detail.replay, you.may_move);
  bench.describe(detail);
  panel.arrange();
});

link.addEventListener("needles", ({ detail }) => {
  panel.needles(detail);
  lamps.show(detail.lamps);
});
panel.onDraw = (message, nowMs, still) => {
  replay.show(message.replay);
  bench.needles(message, nowMs, still);
};

link.addEventListener("health", ({ detail }) => {
  latestHealth = detail;
  health.show(detail);
  panel.health(detail, latestBench);
  foot();
});

link.addEventListener("training", ({ detail }) => training.show(detail));

link.addEventListener("bench", ({ detail }) => {
  latestBench = detail;
  if (detail.stopped !== stopped) {
    speak(detail.stopped ? `Stopped by ${detail.stopped}: every needle holds.` : "The needles go on.");
    stopped = detail.stopped;
  }
  bench.show(detail);
  panel.health(latestHealth, detail);
  foot();
});

link.addEventListener("test", ({ detail }) => reading.show(detail));

link.addEventListener("opened", () => connection(true));
link.addEventListener("gone", ({ detail }) => connection(false, detail));

function connection(open, reason = "") {
  const was = document.body.dataset.connection;
  document.body.dataset.connection = open ? "open" : "gone";
  $("gone").hidden = open;
  const why = reason ? ` (${reason})` : "";
  put($("gone"), open ? "" : `▲ No connection to the panel${why}. What is drawn is old: the needles may be elsewhere. Trying again.`);
  if (was && was !== document.body.dataset.connection) speak(open ? "Connected again." : $("gone").textContent);
  foot();
}

function foot() {
  const open = document.body.dataset.connection === "open";
  const halted = open && stopped;
  document.body.dataset.stopped = halted ? "yes" : "no";
  $("go-on").hidden = !halted;
  if (!open) put($("summary"), "▲ No connection. To stop the needles, switch off the motors' supply.");
  else if (halted) put($("summary"), `■ Stopped by ${stopped}: every needle holds. ${refusal}`.trim());
  else if (latestHealth) put($("summary"), summary(latestHealth));
}

// -- stop -------------------------------------------------------------------------------------------

async function stop() {
  const error = await link.do("stop");
  if (error) speak(`Not stopped: ${error} Switch off the motors' supply.`);
}

$("stop").addEventListener("click", stop);
$("go-on").addEventListener("click", async () => {
  const error = await link.do("go_on");
  if (!error) {
    $("stop").focus();
    return;
  }
  refusal = error;
  speak(error);
  foot();
  setTimeout(() => {
    refusal = "";
    foot();
  }, REFUSAL_MS);
});
// Before anything else can take the key.
window.addEventListener(
  "keydown",
  (event) => {
    if (event.key === "Escape" && !event.repeat) stop();
  },
  { capture: true },
);

// -- views ------------------------------------------------------------------------------------------

function route(moveFocus) {
  const [, view = "", gauge = ""] = location.hash.split("/");
  if (location.hash && !location.hash.startsWith("#/")) return; // the skip link
  const shown = VIEWS.includes(view) ? view : "panel";
  for (const name of VIEWS) $(name).hidden = name !== shown;
  for (const entry of document.querySelectorAll("nav a")) {
    const here = entry.getAttribute("href") === `#/${shown}`;
    if (here) entry.setAttribute("aria-current", "page");
    else entry.removeAttribute("aria-current");
  }
  document.body.dataset.view = shown;
  if (shown === "bench") bench.choose(decodeURIComponent(gauge));
  panel.arrange();
  if (moveFocus) {
    $(`${shown}-title`).focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }
}

window.addEventListener("hashchange", () => route(true));
route(false);

// -- lighting ---------------------------------------------------------------------------------------

const lighting = $("lighting");
lighting.value = kept(localStorage, "lighting") ?? "";
function light() {
  document.documentElement.style.colorScheme = lighting.value || "light dark";
}
lighting.addEventListener("change", () => {
  keep(localStorage, "lighting", lighting.value);
  light();
});
light();
