// What the phone keeps, in IndexedDB: cards (with their codes), visits, and what is asked once. A promise of a write is kept
// only once the phone says that it is on its disk.

const STORES = { cards: "key", visits: "id", asked: "name" };

let opened = null;

function open() {
  opened ??= new Promise((done, failed) => {
    const request = indexedDB.open("stationkeep", 1);
    request.onupgradeneeded = () => {
      for (const [name, keyPath] of Object.entries(STORES)) request.result.createObjectStore(name, { keyPath });
    };
    request.onsuccess = () => done(request.result);
    request.onerror = () => failed(request.error);
    request.onblocked = () => failed(new Error("blocked"));
  });
  // A phone that could not may be able later.
  opened.catch(() => (opened = null));
  return opened;
}

async function write(store, what) {
  const database = await open();
  return new Promise((done, failed) => {
    const transaction = database.transaction(store, "readwrite", { durability: "strict" });
    what(transaction.objectStore(store));
    transaction.oncomplete = () => done();
    transaction.onerror = () => failed(transaction.error);
    transaction.onabort = () => failed(transaction.error ?? new Error("not kept"));
  });
}

async function read(store, what) {
  const database = await open();
  return new Promise((done, failed) => {
    const request = what(database.transaction(store, "readonly").objectStore(store));
    request.onsuccess = () => done(request.result);
    request.onerror = () => failed(request.error);
  });
}

/** Puts some fields into a row, beside whatever else has been put there meanwhile. */
export const amend = (store, key, fields) => amendWhere(store, key, () => true, fields, null);

/** The same where the row is as it should be. What is there afterwards; where nothing was, `otherwise` is put there. */
export async function amendWhere(store, key, fits, fields, otherwise) {
  let row = null;
  await write(store, (rows) => {
    rows.get(key).onsuccess = ({ target }) => {
      const old = target.result;
      const isFit = old ? fits(old) : otherwise !== null;
      row = old && isFit ? { ...old, ...fields } : (old ?? otherwise);
      if (isFit) rows.put(row);
    };
  });
  return row;
}

export const put = (store, value) => write(store, (rows) => rows.put(value));
export const remove = (store, key) => write(store, (rows) => rows.delete(key));
export const get = (store, key) => read(store, (rows) => rows.get(key));
export const all = (store) => read(store, (rows) => rows.getAll());

/** Whether a card was begun and its report is not on record yet, so far as this phone knows. */
export async function isBegun(key) {
  return (await all("visits")).some((visit) => visit.key === key && !visit.sent);
}
