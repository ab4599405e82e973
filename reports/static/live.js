// The live page: ages that count on, a stream of changes, zoom in place, keys. Works without; nothing is fetched from elsewhere.
"use strict";
const skew = Number(document.body.dataset.now) - Date.now() / 1000;
const now = () => Date.now() / 1000 + skew;
const UNITS = [[90, 1, "s"], [5400, 60, "min"], [172800, 3600, "h"], [5.2e6, 86400, "d"]];

function ageText(then) {
  const age = Math.max(0, now() - then);
  for (const [limit, unit, word] of UNITS) if (age < limit) return Math.floor(age / unit) + " " + word;
  return Math.floor(age / 604800) + " weeks";
}

function ages() {
  for (const el of document.querySelectorAll("[data-age]")) {
    if (el.dataset.age) el.textContent = ageText(Number(el.dataset.age));
  }
}

const news = document.getElementById("news");
const heardSince = new Set();
let anew = false;

function tell() {
  if (!news) return;
  const parts = [];
  if (anew) parts.push("The findings changed since this page was made.");
  if (heardSince.size) parts.push(heardSince.size + (heardSince.size === 1 ? " node" : " nodes") + " heard since.");
  news.querySelector("span").textContent = parts.join(" ");
  news.hidden = !parts.length;
}

function changed(event) {
  const told = JSON.parse(event.data);
  for (const [id, at] of Object.entries(told.heard)) {
    heardSince.add(id);
    for (const el of document.querySelectorAll('[data-node="' + Number(id) + '"]')) {
      el.dataset.age = at;
      el.classList.remove("fresh");
      void el.offsetWidth;
      el.classList.add("fresh");
    }
  }
  const heard = document.getElementById("heard"), judged = document.getElementById("judged");
  if (heard && told.strip.heard !== null) heard.dataset.age = told.strip.heard;
  if (judged && told.strip.judged !== null) judged.dataset.age = told.strip.judged;
  const moving = document.getElementById("moving");
  if (moving) moving.textContent = told.strip.moving;
  anew = anew || told.anew;
  ages();
  tell();
}

function listen() {
  const link = document.getElementById("link");
  if (!link || !window.EventSource) return;
  const stream = new EventSource("/events");
  stream.onopen = () => { link.textContent = "Live link: up"; document.body.classList.remove("lost"); };
  stream.onerror = () => {
    if (!document.body.classList.contains("lost")) {
      link.textContent = "Live link: lost since " + new Date().toTimeString().slice(0, 5) + ", trying again";
    }
    document.body.classList.add("lost");
  };
  stream.addEventListener("change", changed);
  stream.addEventListener("trouble", (event) => { link.textContent = JSON.parse(event.data).text; document.body.classList.add("lost"); });
}

async function zoom(event) {
  const link = event.target.closest("a.zoom");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  const answer = await fetch(link.dataset.part);
  if (!answer.ok || answer.redirected) { location.href = link.href; return; }
  const name = link.textContent;
  const box = document.getElementById("zoomed");
  box.innerHTML = await answer.text();
  history.replaceState(null, "", link.getAttribute("href"));
  const again = [...box.querySelectorAll("a.zoom")].find((one) => one.textContent === name);
  if (again) again.focus();
}

function keys(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const typing = event.target.matches("input,select,textarea");
  if (event.key === "Escape" && typing) { event.target.blur(); return; }
  if (typing) return;
  if (event.key === "/") {
    const filter = document.getElementById("filter");
    if (filter) { event.preventDefault(); filter.focus(); filter.select(); }
  } else if (event.key === "j" || event.key === "k") {
    const rows = [...document.querySelectorAll("a.row")];
    const at = rows.indexOf(document.activeElement);
    const next = rows[event.key === "j" ? Math.min(at + 1, rows.length - 1) : Math.max(at - 1, 0)];
    if (next) next.focus();
  } else if (/^[1-9]$/.test(event.key)) {
    const view = document.querySelector('nav a[data-key="' + event.key + '"]');
    if (view) view.click();
  }
}

ages();
setInterval(ages, 10000);
document.addEventListener("click", zoom);
document.addEventListener("keydown", keys);
listen();
