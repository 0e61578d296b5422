// Speaks with podfall. Every answer holds the season as it stands after it.

export class Said extends Error {
  /** `told`: how things stand, where podfall says so; `lost`: something was said and not kept. */
  constructor(message, told = null, lost = false) {
    super(message);
    this.told = told;
    this.lost = lost;
  }
}

async function ask(path, body) {
  const how = body === undefined ? {} : {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  };
  let answer;
  try {
    answer = await fetch(path, how);
  } catch {
    throw new Said("Podfall does not answer. Start it again (podfall confirm) and open the address it prints. What was said before is kept.");
  }
  if (answer.status === 403) {
    throw new Said("This page is of an earlier run. Open the address that podfall confirm printed last. What was said before is kept.");
  }
  const text = await answer.text();
  let told = null;
  try {
    told = JSON.parse(text);
  } catch {
    // Not JSON: a plain sentence.
  }
  if (!answer.ok) {
    throw new Said((told && told.error) || text.trim() || `Refused (${answer.status}).`, told, body !== undefined);
  }
  return told;
}

/** Why a picture cannot be had, as podfall says; nothing where it is podfall that is not there. */
export async function whyNot(path) {
  const answer = await fetch(path).catch(() => null);
  if (!answer) return "podfall does not answer";
  return answer.ok ? "this browser cannot show it" : (await answer.text()).trim();
}

export const opening = () => ask("/api/open");
export const season = () => ask("/api/season");
export const photo = (n) => ask(`/api/photo/${n}`);

/** Of which acts and counts the page knows: numbers of photos and objects are those of these counts. */
const seen = ({ seq, counts_version }) => ({ seq, counts_version });
export const say = (season, n, said) => ask("/api/say", { ...seen(season), photo: n, say: said });
export const undo = (season) => ask("/api/undo", seen(season));
export const redo = (season) => ask("/api/redo", seen(season));
