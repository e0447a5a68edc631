// Sees every event into storage and knows, at any moment, what is not kept yet.

import { isRecord } from "./fold.js";

const TRY_AGAIN_MS = 10000;

export class Keeper {
  constructor(store, { onChange, onKept }) {
    this.store = store;
    this.onChange = onChange;
    this.onKept = onKept;
    this.waiting = new Map();
    this.refused = new Map();
    this.smallUsed = false;
    setInterval(() => this.refused.size && this.tryAgain(), TRY_AGAIN_MS);
  }

  async keep(event) {
    this.waiting.set(event.id, event);
    this.onChange();
    try {
      const place = await this.store.keep(event);
      this.smallUsed ||= place === "small";
      this.refused.delete(event.id);
      this.onKept(event);
    } catch (trouble) {
      this.store.troubles.push(String(trouble));
      this.refused.set(event.id, event);
    }
    this.waiting.delete(event.id);
    this.onChange();
  }

  async tryAgain() {
    for (const event of [...this.refused.values()]) {
      if (!this.waiting.has(event.id)) await this.keep(event);
    }
  }

  // Taps that are on this screen only.
  lostIfClosed() {
    return [...this.refused.values()].filter(isRecord).length;
  }

  busy() {
    return this.waiting.size > 0;
  }
}
