// The websocket: connects, listens, and comes back by itself.

import { sentenceLine } from "./sentences.js";
import { language, words } from "./words.js";

/** @typedef {import("./types.js").Message} Message */
/** @typedef {"connecting"|"open"|"lost"|"stopped"|"unpaired"} LinkState */

// Three missed beats of four seconds mean that nobody is there.
const silenceMs = 13_000;
// Back-off: the first try at once, then doubling to a limit that a person at
// the mount can bear.
const firstWaitMs = 500;
const longestWaitMs = 8_000;
// Woken from sleep: one missed beat is enough to begin anew, and so long a connection may take that was begun before.
const wakeSilenceMs = 6_000;
const wakeConnectMs = 2_000;
// A request on a network that died without a word is never answered: so long is an answer waited for, and so long
// that to a command, which the service itself answers within its 30 s.
const answerMs = 10_000;
const commandMs = 30_000;

export class Link {
  /**
   * @param {(m: Message) => void} onMessage
   * @param {(s: LinkState, retryAt: number|null) => void} onState retryAt by performance.now()
   */
  constructor(onMessage, onState) {
    this.onMessage = onMessage;
    this.onState = onState;
    this.wait = firstWaitMs;
    /** @type {WebSocket|null} */
    this.socket = null;
    /** @type {ReturnType<typeof setTimeout>|undefined} */
    this.timer = undefined;
    /** @type {ReturnType<typeof setTimeout>|undefined} */
    this.silence = undefined;
    /** When the service was last heard, by the browser's clock. */
    this.heardAt = Date.now();
    /** Whether this device was told that it is not paired: each further try would say no other than that. */
    this.unpaired = false;
    addEventListener("online", () => this.now());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState !== "visible") return;
      // After a sleep the socket may be dead without knowing it.
      const open = this.socket?.readyState === WebSocket.OPEN;
      if (Date.now() - this.heardAt > (open ? wakeSilenceMs : wakeConnectMs)) this.drop();
      this.now();
    });
  }

  /** Tries at once, unless a connection is up or on its way. */
  now() {
    if (this.socket) return;
    clearTimeout(this.timer);
    this.connect();
  }

  connect() {
    this.onState(this.unpaired ? "unpaired" : "connecting", null);
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/api/v1/live`);
    this.socket = socket;
    this.listen();
    socket.onopen = () => {
      this.unpaired = false;
      this.onState("open", null);
    };
    socket.onmessage = (e) => {
      this.wait = firstWaitMs;
      this.listen();
      this.onMessage(JSON.parse(e.data));
    };
    socket.onclose = (e) => this.lost(socket, e.code === 1001 ? "stopped" : e.code === 1008 ? "unpaired" : "lost");
  }

  /** Waits for the next sign of life. */
  listen() {
    clearTimeout(this.silence);
    this.heardAt = Date.now();
    this.silence = setTimeout(() => this.drop(), silenceMs);
  }

  /** Gives the connection up. */
  drop() {
    const socket = this.socket;
    if (!socket) return;
    socket.close();
    // A dead network may hold back the close event for minutes.
    this.lost(socket, "lost");
  }

  /**
   * @param {WebSocket} socket
   * @param {"lost"|"stopped"|"unpaired"} how  stopped: the service said goodbye
   */
  async lost(socket, how) {
    if (socket !== this.socket) return;
    clearTimeout(this.silence);
    this.socket = null;
    const wait = this.wait * (0.75 + Math.random() / 2);
    this.wait = Math.min(2 * this.wait, longestWaitMs);
    this.unpaired ||= how === "unpaired";
    this.onState(this.unpaired ? "unpaired" : how, performance.now() + wait);
    this.timer = setTimeout(() => this.connect(), wait);
    // A socket does not tell why it was refused; a request does.
    if (this.unpaired || how !== "lost" || !(await refused())) return;
    this.unpaired = true;
    this.onState("unpaired", performance.now() + wait);
  }
}

/** Whether the service is there and takes this device for a stranger. */
async function refused() {
  try {
    return (await ask("state")).status === 401;
  } catch {
    return false;
  }
}

/**
 * Asks the service. Fails where no answer comes in time.
 * @param {string} path under /api/v1
 * @param {RequestInit} [how]
 * @param {number} [within] ms
 */
export function ask(path, how = {}, within = answerMs) {
  const late = new AbortController();
  setTimeout(() => late.abort(), within); // what the answer holds comes within it too
  return fetch(`/api/v1/${path}`, { ...how, signal: late.signal });
}

/**
 * What the service says is wrong, in the words of this language where there are any.
 * @param {{detail?: string, code?: string, reason?: string, said?: import("./types.js").Said}|null} answer
 * @returns {string|undefined}
 */
export function refusal(answer) {
  const w = words.refused;
  return w[answer?.reason ?? ""] ?? w[answer?.code ?? ""] ?? (answer?.said && words.service[answer.said.code] && sentenceLine(answer.said, "")) ?? (language === "en" ? answer?.detail : undefined) ?? (answer?.detail && w.other);
}

/**
 * Sends a command. Resolves to null when it was carried out, else to what the
 * service says is wrong; undefined when it could not be reached.
 * @param {string} path under /api/v1
 * @param {object} body
 * @returns {Promise<string|null|undefined>}
 */
export async function send(path, body) {
  try {
    const r = await ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }, commandMs);
    if (r.ok) return null;
    const answer = await r.json().catch(() => null);
    return refusal(answer) ?? `${r.status} ${r.statusText}`;
  } catch {
    return undefined;
  }
}
