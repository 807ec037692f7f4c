// What the page says in the language of the run; the server puts the texts in.

const TEXTS = {};

// A text with its holes filled; English as it stands here.
export function tr(text, holes = {}) {
  return (TEXTS[text] ?? text).replace(/\{(\w+)\}/g, (hole, name) => holes[name] ?? hole);
}
