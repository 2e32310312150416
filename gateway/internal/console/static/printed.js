// The foot of every printed page: what it is, when and by whom it was printed, and the hash of the record that it shows. The style sheet puts it
// beside the page's number, in the margin, where nothing of the page is.
import { current, nowText } from "/api.js";
import { instant } from "/dom.js";

// The value is text for a style sheet, which has its own signs for strings.
const quoted = (text) => `"${text.replace(/["\\]/g, "\\$&").replace(/\n/g, "\\a ")}"`;

export function printed() {
  const head = document.querySelector("main h2"), hash = head && head.dataset.hash;
  const at = instant(nowText());
  const text = `coldsection · ${head ? head.dataset.document || head.textContent : ""} · printed ${at}${current() ? " by " + current().displayName : ""}${hash ? `\nSHA-256 ${hash}` : ""}`;
  document.documentElement.style.setProperty("--printed", quoted(text));
}
