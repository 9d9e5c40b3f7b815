// @ts-check
// The live connection: opens, backs off, opens again, and says when data went stale.

import { personName } from './person.js';

const STALE_MS = 1000;
const SILENT_MS = 3000; // a phone's socket may die without a close event
const BACK_OFF_MS = [250, 500, 1000, 2000, 4000];

/**
 * @typedef {object} Handlers
 * @property {(message: any) => void} text
 * @property {(buffer: ArrayBuffer) => void} binary
 * @property {(status: {open: boolean, stale: boolean, lastMs: number}) => void} status
 */

export class Socket {
  /** @type {WebSocket|null} */
  #socket = null;
  #closed = false;
  #tries = 0;
  #retry = 0;
  #watch = 0;
  #opened = 0;
  #lastFrame = 0; // performance.now()
  #lastWord = 0; // of any message, performance.now()
  #lastMs = 0; // wall clock, for people
  #stale = false;
  #reported = false; // as open
  #url;
  #on;
  /** @type {object} */
  #want = {};

  /** @param {string} url @param {Handlers} on */
  constructor(url, on) {
    this.#url = url;
    this.#on = on;
    document.addEventListener('visibilitychange', this.#wake);
    window.addEventListener('pageshow', this.#wake);
    window.addEventListener('pagehide', this.#leave);
    window.addEventListener('online', this.#wake);
    this.#watch = window.setInterval(this.#check, 250);
    this.#open();
  }

  close() {
    this.#closed = true;
    document.removeEventListener('visibilitychange', this.#wake);
    window.removeEventListener('pageshow', this.#wake);
    window.removeEventListener('pagehide', this.#leave);
    window.removeEventListener('online', this.#wake);
    clearInterval(this.#watch);
    clearTimeout(this.#retry);
    this.#drop();
  }

  /** Tells the daemon what this page needs; repeated after every reconnect. @param {object} want */
  want(want) {
    this.#want = want;
    this.#send({ type: 'want', ...want, hidden: document.hidden });
  }

  /** Comes again, under the name that the person has now. */
  again() {
    this.#open();
  }

  /** @param {number} seq the frame that was drawn */
  acknowledge(seq) {
    this.#send({ type: 'ack', seq });
  }

  /** @param {object} message */
  #send(message) {
    if (this.#socket?.readyState === WebSocket.OPEN) this.#socket.send(JSON.stringify(message));
  }

  #open() {
    clearTimeout(this.#retry);
    this.#drop();
    const name = personName();
    const socket = new WebSocket(name ? `${this.#url}?name=${encodeURIComponent(name)}` : this.#url);
    socket.binaryType = 'arraybuffer';
    this.#opened = performance.now();
    socket.onopen = () => {
      this.#opened = performance.now();
      this.#tries = 0;
      this.want(this.#want);
      this.#report();
    };
    socket.onmessage = (event) => {
      this.#lastWord = performance.now();
      if (typeof event.data === 'string') {
        const message = JSON.parse(event.data);
        // The test signal sounds only while this script, whose Stop button it is, is alive. A hidden tab answers
        // too: browsers slow down its timers, but not messages.
        if (message.type === 'ask') this.#send({ type: 'here' });
        else this.#on.text(message);
        return;
      }
      this.#lastFrame = performance.now();
      this.#lastMs = Date.now();
      if (this.#stale) {
        this.#stale = false;
        this.#report();
      }
      this.#on.binary(event.data);
    };
    socket.onclose = () => this.#lost(socket);
    this.#socket = socket;
  }

  #drop() {
    const socket = this.#socket;
    this.#socket = null;
    if (!socket) return;
    socket.onopen = socket.onmessage = socket.onclose = null;
    socket.close();
  }

  /** @param {WebSocket} socket */
  #lost(socket) {
    if (this.#closed || socket !== this.#socket) return;
    this.#socket = null;
    void askedToLeave();
    this.#retry = window.setTimeout(() => this.#open(), BACK_OFF_MS[Math.min(this.#tries++, BACK_OFF_MS.length - 1)]);
    this.#report();
  }

  #wake = () => {
    if (this.#closed) return;
    if (!document.hidden && !this.#socket) {
      this.#tries = 0;
      this.#open();
    } else {
      this.#opened = performance.now();
      this.want(this.#want);
    }
  };

  /** A page that is left lives on in the browser's memory, and its connection with it: what it started must not. */
  #leave = () => {
    clearTimeout(this.#retry);
    this.#drop();
  };

  #check = () => {
    if (document.hidden) return;
    const now = performance.now();
    const quiet = now - Math.max(this.#lastFrame, this.#opened);
    if (!this.#stale && quiet > STALE_MS) {
      this.#stale = true;
      this.#report();
    }
    // Still open, still silent: ask whether the daemon is there by opening anew. A daemon whose
    // source is lost answers, so this costs one greeting in three seconds. One that still speaks
    // is there; leaving it would stop the test signal that this page holds.
    if (this.#socket && now - Math.max(this.#lastWord, this.#opened) > SILENT_MS) this.#open();
    // Nobody answers: a network that swallows what it is given says nothing either.
    if (this.#reported && this.#socket?.readyState === WebSocket.CONNECTING && now - this.#opened > STALE_MS) this.#report();
  };

  #report() {
    this.#reported = this.#socket?.readyState === WebSocket.OPEN;
    this.#on.status({ open: this.#reported, stale: this.#stale, lastMs: this.#lastMs });
  }
}

/** Another machine's page, whose daemon asks for a token. */
const FAR = !/^(localhost$|127\.|\[::1\])/.test(location.hostname);

/** A daemon that does not know this page's token any more says so in words, in place of the page. */
async function askedToLeave() {
  if (!FAR) return;
  const answer = await fetch('/api/v1/health').catch(() => null); // no network: it is tried again
  if (answer?.status === 401) location.reload();
}
