// Requests to the server, and how its answers are read.

const TYPES = {
  f8: Float64Array, f4: Float32Array, i4: Int32Array, u4: Uint32Array,
  i2: Int16Array, u2: Uint16Array, u1: Uint8Array, i1: Int8Array,
};

const PROGRESS_MS = 500; // often enough to see that it goes on (own choice)

/** An error from the server, with the place of the setting it is about. */
export class Wrong extends Error {
  constructor(text, place, status) {
    super(text);
    this.place = place;
    this.status = status;
  }
}

/** A packed answer: its header, with the arrays as typed arrays beside it. */
export function unpack(buffer) {
  const size = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, size)));
  const arrays = {};
  for (const [name, kind, at, count] of header.arrays) {
    arrays[name] = new TYPES[kind](buffer, 4 + size + at, count);
  }
  return { header, arrays };
}

async function checked(answer) {
  if (answer.ok) return answer;
  let said = { error: `the server answered ${answer.status}`, place: null };
  try { said = await answer.json(); } catch { /* not JSON: keep the status */ }
  throw new Wrong(said.error, said.place, answer.status);
}

async function ask(path, options) {
  try {
    return await checked(await fetch(path, options));
  } catch (e) {
    if (e instanceof Wrong || e.name === "AbortError") throw e;
    throw new Wrong("the studio's server does not answer; is it still running?", null, 0);
  }
}

const json = (body) => ({
  method: "POST",
  headers: { "content-type": "application/json" },
  body: JSON.stringify(body),
});

export const getJson = async (path) => (await ask(path)).json();
export const postJson = async (path, body) => (await ask(path, json(body))).json();

export async function postPacked(path, body, signal) {
  return unpack(await (await ask(path, { ...json(body), signal })).arrayBuffer());
}

export const getPacked = async (path) => unpack(await (await ask(path)).arrayBuffer());

/** Send a file to be read: with the settings that a recording was played with, or with a document to
 * compare it with. `going` is told the share of the work that is done, as far as that is known. */
export async function dropFile(file, about, signal, going) {
  const id = [...crypto.getRandomValues(new Uint8Array(16))].map((x) => (x % 36).toString(36)).join("");
  const head = new TextEncoder().encode(JSON.stringify({ name: file.name, id, ...about }));
  const size = new DataView(new ArrayBuffer(4));
  size.setUint32(0, head.length, true);
  const timer = setInterval(() => getJson(`api/progress/${id}`).then((x) => going(x.progress), () => {}), PROGRESS_MS);
  try {
    const answer = await ask("api/drop", {
      method: "POST",
      headers: { "content-type": "application/octet-stream" },
      body: new Blob([size, head, file]),
      signal,
    });
    return await answer.json();
  } finally { clearInterval(timer); }
}

export const cancelJob = (id) => fetch(`api/jobs/${id}`, { method: "DELETE" }).catch(() => {});
