// Follows a running job: puts in what the bench sends, and counts running timers on.
"use strict";

const bench = document.getElementById("bench");
const said = document.getElementById("said");
const link = document.getElementById("link");
let counts = [];

function takeTimers() {
  const now = performance.now();
  counts = [...bench.querySelectorAll("[data-left]")].map((element) => ({ element, ends: now + 1000 * Number(element.dataset.left) }));
}

function tick() {
  for (const { element, ends } of counts) {
    const left = Math.max(0, Math.round((ends - performance.now()) / 1000));
    const text = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
    if (element.textContent !== text) element.textContent = text;
  }
}

// As large as there is room for: a long instruction with cautions is set smaller rather than cut off.
function fit() {
  const words = bench.querySelector(".fit");
  if (!words) return;
  const room = words.parentElement;
  const inner = room.clientHeight - 2 * parseFloat(getComputedStyle(room).paddingTop);
  for (let size = 1.4; size >= 0.4; size -= 0.05) {
    words.style.setProperty("--size", size);
    if (words.offsetHeight <= inner && words.scrollWidth <= words.clientWidth) break;
  }
}

function show() {
  takeTimers();
  fit();
}

function connect() {
  const stream = new EventSource(bench.dataset.stream);
  stream.addEventListener("open", () => { link.hidden = true; });
  stream.addEventListener("error", () => {
    link.hidden = false;
    // A refusal closes the stream for good: ask again all the same, nobody touches this screen.
    if (stream.readyState === EventSource.CLOSED) setTimeout(connect, 5000);
  });
  stream.addEventListener("view", (event) => {
    const view = JSON.parse(event.data);
    bench.innerHTML = view.html;
    show();
    if (said.textContent !== view.say) said.textContent = view.say;
    link.hidden = true;
  });
  stream.addEventListener("level", (event) => {
    const level = JSON.parse(event.data);
    const bar = document.getElementById("level");
    if (!bar) return;
    bar.setAttribute("width", String(level.percent * 0.99));
    document.getElementById("level-words").textContent = level.words;
  });
  stream.addEventListener("trouble", (event) => { said.textContent = JSON.parse(event.data).say; });
  stream.addEventListener("ended", () => { stream.close(); location.reload(); });
}

show();
addEventListener("resize", fit);
setInterval(tick, 200);
connect();
