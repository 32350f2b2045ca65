// Plays findings one after another with their step read between, plays a sound while its words are corrected, and fetches whether the job is as it was sealed.
"use strict";

const BACK_S = 3;
const READ_MS = 2500;
const start = document.getElementById("play-all");
const stop = document.getElementById("stop-all");
const now = document.getElementById("now");
let run = null;

// One player at a time: two voices at once are none.
document.addEventListener("play", (event) => {
  for (const other of document.querySelectorAll("audio")) if (other !== event.target) other.pause();
}, true);

function heard(audio, signal) {
  return new Promise((done) => {
    const end = () => { audio.pause(); done(); };
    for (const kind of ["ended", "error"]) audio.addEventListener(kind, end, { once: true, signal });
    signal.addEventListener("abort", end, { once: true });
    audio.currentTime = 0;
    audio.play().catch(end);
  });
}

function wait(milliseconds, signal) {
  return new Promise((done) => {
    const timer = setTimeout(done, milliseconds);
    signal.addEventListener("abort", () => { clearTimeout(timer); done(); }, { once: true });
  });
}

async function read(finding, signal) {
  // The machine's own voice where the bench's computer has one; else the browser's; else time to read.
  const answer = await fetch(finding.dataset.words, { signal }).catch(() => null);
  if (answer && answer.status === 200) {
    const voice = new Audio(finding.dataset.words);
    await heard(voice, signal);
  } else if (window.speechSynthesis && speechSynthesis.getVoices().length) {
    await new Promise((done) => {
      const words = new SpeechSynthesisUtterance(`${finding.dataset.step} ${finding.dataset.part}`);
      words.onend = words.onerror = done;
      signal.addEventListener("abort", () => { speechSynthesis.cancel(); done(); }, { once: true });
      speechSynthesis.speak(words);
    });
  } else {
    await wait(READ_MS, signal);
  }
}

async function playAll() {
  run = new AbortController();
  const { signal } = run;
  start.hidden = true;
  stop.hidden = false;
  stop.focus();
  const findings = [...document.querySelectorAll(".finding[data-words]")];
  for (const [place, finding] of findings.entries()) {
    if (signal.aborted) break;
    now.textContent = `${place + 1} of ${findings.length}. ${finding.dataset.step} ${finding.dataset.part}.`;
    finding.classList.add("playing");
    finding.scrollIntoView({ block: "nearest" });
    await read(finding, signal);
    if (!signal.aborted) await heard(finding.querySelector("audio"), signal);
    finding.classList.remove("playing");
  }
  now.textContent = signal.aborted ? "Stopped." : "All findings played.";
  const inside = document.activeElement === stop;
  stop.hidden = true;
  start.hidden = false;
  if (inside) start.focus();
}

if (start) {
  start.addEventListener("click", playAll);
  stop.addEventListener("click", () => run.abort());
}

document.addEventListener("keydown", (event) => {
  const audio = event.altKey && !event.ctrlKey && event.target.closest ? event.target.closest(".finding")?.querySelector("audio") : null;
  if (!audio) return;
  if (event.code === "KeyP") { if (audio.paused) audio.play(); else audio.pause(); }
  else if (event.code === "KeyB") audio.currentTime = Math.max(0, audio.currentTime - BACK_S);
  else return;
  event.preventDefault();
});

async function verify(place) {
  const line = place.querySelector(".proof");
  line.textContent = "Held against its seals just now …";
  const answer = await fetch(place.dataset.from, { headers: { accept: "text/html" } }).catch(() => null);
  const found = answer && answer.ok ? new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("verdict") : null;
  if (found) {
    place.replaceChildren(...found.children);
    return;
  }
  const again = document.createElement("a");
  again.href = place.dataset.from;
  again.textContent = "try again";
  line.replaceChildren("Whether it is as it was sealed could not be found out just now: ", again, ".");
}

const verification = document.getElementById("verification");
if (verification) verify(verification);
