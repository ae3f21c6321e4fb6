// The line to the program: one WebSocket that is opened again whenever it is gone.

const FIRST_RETRY_MS = 400;
const LAST_RETRY_MS = 4000;
/** The program sends at least twice a second; a line that is silent for so long is taken for gone. */
const SILENT_MS = 3000;
const ALIVE_MS = 1000;

export class Link extends EventTarget {
  /** `introduce` returns the fields of `enter`, sent whenever the line is opened. */
  constructor(introduce) {
    super();
    this.introduce = introduce;
    this.socket = null;
    this.open = false;
    this.heardMs = 0;
    this.retryMs = FIRST_RETRY_MS;
    this.waiting = new Map();
    this.last = 0;
    this.holding = false;
    document.addEventListener("visibilitychange", () => document.hidden || this.connect());
    setInterval(() => this.look(), ALIVE_MS);
    this.connect();
  }

  connect() {
    if (this.socket) return;
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/live${location.search}`);
    this.socket = socket;
    this.heardMs = performance.now();
    socket.onmessage = (event) => {
      if (socket === this.socket) this.heard(JSON.parse(event.data));
    };
    socket.onopen = () => {
      if (socket !== this.socket) return;
      this.open = true;
      this.retryMs = FIRST_RETRY_MS;
      this.dispatchEvent(new Event("opened"));
      this.enter();
    };
    socket.onclose = (event) => this.lost(socket, event.reason);
  }

  lost(socket, reason) {
    if (socket !== this.socket) return;
    this.socket = null;
    this.open = false;
    for (const settle of this.waiting.values()) settle("The connection went before the answer came.");
    this.waiting.clear();
    this.dispatchEvent(new CustomEvent("gone", { detail: reason }));
    setTimeout(() => this.connect(), this.retryMs);
    this.retryMs = Math.min(this.retryMs * 2, LAST_RETRY_MS);
  }

  look() {
    if (this.socket && performance.now() - this.heardMs > SILENT_MS) {
      const silent = this.socket;
      silent.close();
      this.lost(silent, "");
    } else if (this.open && this.holding) {
      this.do("alive");
    }
  }

  heard(message) {
    this.heardMs = performance.now();
    if (message.type === "answer") {
      this.waiting.get(message.id)?.(message.error);
      this.waiting.delete(message.id);
    } else {
      this.dispatchEvent(new CustomEvent(message.type, { detail: message }));
    }
  }

  enter() {
    return this.do("enter", this.introduce());
  }

  /** Ask for something; resolves to null, or to a sentence that tells why it was not done. */
  do(command, fields = {}) {
    if (!this.open) return Promise.resolve("No connection to the program: nothing was sent.");
    const id = ++this.last;
    this.socket.send(JSON.stringify({ id, do: command, ...fields }));
    return new Promise((settle) => this.waiting.set(id, settle));
  }
}
