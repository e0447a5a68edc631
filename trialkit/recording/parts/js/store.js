// Keeping events on the phone: a database (IndexedDB) first, the browser's small store
// (localStorage) when that fails. Each event is a record of its own, so two tabs never overwrite
// each other, and writing one twice does no harm.

const PATIENCE_MS = 5000;

function within(promise, what) {
  let timer;
  const late = new Promise((_, reject) => {
    timer = setTimeout(() => reject(new Error(`${what} gave no answer`)), PATIENCE_MS);
  });
  return Promise.race([promise, late]).finally(() => clearTimeout(timer));
}

function openDatabase(name) {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open(name, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("journal", { keyPath: "id" });
      asked.result.createObjectStore("trial-run", { keyPath: "id" });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
    asked.onblocked = () => reject(new Error("another tab holds the database"));
  });
}

// Resolves only once the whole transaction is on disk, not when the request is accepted.
function write(database, table, value) {
  return new Promise((resolve, reject) => {
    const transaction = database.transaction(table, "readwrite", { durability: "strict" });
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error ?? new Error("the write was given up"));
    transaction.onerror = () => reject(transaction.error ?? new Error("the write failed"));
    transaction.objectStore(table).put(value);
  });
}

function removeAll(database, ids) {
  return new Promise((resolve, reject) => {
    const transaction = database.transaction("journal", "readwrite", { durability: "strict" });
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error ?? new Error("the clearing was given up"));
    for (const id of ids) transaction.objectStore("journal").delete(id);
  });
}

function readAll(database) {
  return new Promise((resolve, reject) => {
    const asked = database.transaction("journal").objectStore("journal").getAll();
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
}

export class Store {
  constructor(name) {
    this.name = name;
    this.database = null;
    this.place = "none";
    this.troubles = [];
    this.refusesDatabase = false;
  }

  // Finds out where records can be kept by writing there; `place` is "database", "small", "none".
  async open() {
    try {
      await this.connect();
      await within(write(this.database, "trial-run", { id: "here" }), "the database");
      this.place = "database";
    } catch (trouble) {
      this.troubles.push(String(trouble));
      this.database = null;
      this.refusesDatabase = true;
      this.place = this.smallStoreWorks() ? "small" : "none";
    }
  }

  async connect() {
    this.database = await within(openDatabase(this.name), "the database");
    this.database.onversionchange = () => this.database.close();
    this.database.onclose = () => (this.database = null);
  }

  smallStoreWorks() {
    try {
      localStorage.setItem(`${this.name}?`, "here");
      const works = localStorage.getItem(`${this.name}?`) === "here";
      localStorage.removeItem(`${this.name}?`);
      return works;
    } catch (trouble) {
      this.troubles.push(String(trouble));
      return false;
    }
  }

  async read() {
    const events = this.readSmall();
    if (this.database) events.push(...(await within(readAll(this.database), "the database")));
    return events;
  }

  // Takes events of cleared picks off the phone. What cannot be removed now is hidden by the event
  // that says the pick was cleared, and is removed when the page opens next.
  async forget(ids) {
    try {
      for (const id of ids) localStorage.removeItem(`${this.name}/${id}`);
    } catch (trouble) {
      this.troubles.push(String(trouble));
    }
    try {
      if (this.database) await within(removeAll(this.database, ids), "the database");
    } catch (trouble) {
      this.troubles.push(String(trouble));
    }
  }

  readSmall() {
    const events = [];
    for (const key of this.smallKeys()) {
      // One spoilt entry must not hide the others.
      try {
        events.push(JSON.parse(localStorage.getItem(key)));
      } catch (trouble) {
        this.troubles.push(String(trouble));
      }
    }
    return events;
  }

  smallKeys() {
    try {
      return Object.keys(localStorage).filter((key) => key.startsWith(`${this.name}/`));
    } catch (trouble) {
      this.troubles.push(String(trouble));
      return [];
    }
  }

  // Resolves with the place that holds the event, or throws: there is no third way out.
  async keep(event) {
    try {
      if (!this.database && !this.refusesDatabase) await this.connect();
      if (this.database) {
        await within(write(this.database, "journal", event), "the database");
        return "database";
      }
    } catch (trouble) {
      this.troubles.push(String(trouble));
    }
    const key = `${this.name}/${event.id}`;
    const text = JSON.stringify(event);
    localStorage.setItem(key, text);
    if (localStorage.getItem(key) !== text) throw new Error("the small store kept nothing");
    return "small";
  }
}

// Tells other tabs of kept events, and hears of theirs.
export class Neighbours {
  constructor(name, store, hear) {
    this.channel = null;
    try {
      this.channel = new BroadcastChannel(name);
      this.channel.onmessage = (message) => hear([message.data]);
    } catch {
      // Without a channel the journal is read again whenever this page comes to the front.
    }
    const readAgain = async () => {
      if (document.visibilityState === "hidden") return;
      try {
        hear(await store.read());
      } catch (trouble) {
        store.troubles.push(String(trouble));
      }
    };
    addEventListener("visibilitychange", readAgain);
    addEventListener("focus", readAgain);
    addEventListener("storage", () => hear(store.readSmall()));
  }

  tell(event) {
    try {
      this.channel?.postMessage(event);
    } catch {
      this.channel = null;
    }
  }
}
