// What this device keeps: entries that wait for a connection, and orders as they were last read. A browser that gives no place for it keeps
// nothing, and everything then needs the connection.

const opened = new Promise((resolve) => {
  if (!globalThis.indexedDB) return resolve(null);
  const asked = indexedDB.open("coldsection", 1);
  asked.onupgradeneeded = () => {
    asked.result.createObjectStore("entries", { keyPath: "id", autoIncrement: true });
    asked.result.createObjectStore("seen", { keyPath: "key" });
  };
  asked.onsuccess = () => resolve(asked.result);
  asked.onerror = () => resolve(null);
});

export const canKeep = async () => Boolean(await opened);

// within runs one transaction and gives what its request found, once everything is on the disk.
async function within(store, mode, work) {
  const db = await opened;
  if (!db) return undefined;
  return new Promise((resolve, reject) => {
    const tx = db.transaction(store, mode, { durability: "strict" });
    const asked = work(tx.objectStore(store));
    tx.oncomplete = () => resolve(asked && asked.result);
    tx.onerror = tx.onabort = () => reject(tx.error);
  });
}

export const addEntry = (entry) => within("entries", "readwrite", (s) => s.add(entry));
export const putEntry = (entry) => within("entries", "readwrite", (s) => s.put(entry));
export const allEntries = async () => await within("entries", "readonly", (s) => s.getAll()) || [];
// settle takes an entry away that arrived, and changes those that waited for what it brought, together or not at all.
export const settle = (id, changed) => within("entries", "readwrite", (s) => { s.delete(id); changed.forEach((e) => s.put(e)); });

// seenKey is where an order is kept as a person read it.
export const seenKey = (account, order) => `${account} ${order}`;
export const keepSeen = (key, value, time) => within("seen", "readwrite", (s) => s.put({ key, value, time }));
export const seenOnce = (key) => within("seen", "readonly", (s) => s.get(key));
// forgetSession takes away who was signed in: a session that ended opens nothing without a connection either.
export const forgetSession = () => within("seen", "readwrite", (s) => s.delete("session"));
export const forgetSeen = () => within("seen", "readwrite", (s) => s.clear());
