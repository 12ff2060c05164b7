// Talking to the program that serves this page. Every change says how many corrections this tab has seen.

export class Overtaken extends Error {
  constructor(message, state) {
    super(message);
    this.state = state;
  }
}

export class Gone extends Error {}

async function ask(path, options) {
  try {
    return await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Gone(
      "The program behind this page has ended. Every correction made before is on disk; run handsfree review again to go on.",
    );
  }
}

export const state = async () => (await ask("state")).json();

export const heard = async () => (await ask("heard")).json();

export const news = async () => (await (await ask("news")).json()).news;

export const wave = async (fromS, toS, bins, signal) =>
  (await ask(`wave?from=${fromS}&to=${toS}&bins=${bins}`, { signal })).json();

export async function change(wanted) {
  const reply = await ask("change", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(wanted),
  });
  const found = await reply.json();
  if (reply.status === 409) throw new Overtaken(found.message, found.state);
  if (found.message) throw new Error(found.message);
  return found;
}

// Sound of a rep: a blob to play, and the session time at which it begins.
export async function sound(number, fromS, toS) {
  const reply = await ask(`sound/${number}?from=${fromS}&to=${toS}`);
  if (!reply.headers.get("content-type").startsWith("audio/")) throw new Error((await reply.json()).message);
  return { blob: await reply.blob(), startS: Number(reply.headers.get("x-start-s")) };
}
