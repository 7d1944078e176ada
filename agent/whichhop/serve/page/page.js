// Renews the page's parts from the agent that served it, and tells times in the home's zone, else the viewer's.
"use strict";
(() => {
  const EVERY_MS = 10_000; // the comparer speaks every ten seconds
  const GIVE_UP_MS = 8_000;
  const STALE_MS = 30_000; // three words missed
  const byId = (id) => document.getElementById(id);
  const served = new Map(); // each part as the agent wrote it, before times were told in another zone
  let heard = Date.now();
  let stale = false;
  let busy = false;

  const form = (timeZone) => new Intl.DateTimeFormat("en-GB", {
    timeZone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit",
  });
  const inZone = (() => { // a browser may not know a zone
    try { return form(document.body.dataset.zone || undefined); } catch { return form(undefined); }
  })();
  const inUtc = form("UTC");
  const parts = (at, zone = inZone) => Object.fromEntries(zone.formatToParts(at).map((p) => [p.type, p.value]));
  const clock = (at) => { const p = parts(at); return `${p.hour}:${p.minute}`; };
  const day = (at) => { const p = parts(at); return `${p.year}-${p.month}-${p.day}`; };
  const told = (at, now) => (day(at) === day(now) ? "" : `${day(at)} `) + clock(at);
  const isUtc = (at) => inZone.format(at) === inUtc.format(at);

  // Server times are UTC; where the zone differs, its time is shown and UTC kept beside it.
  const localise = (root) => {
    const now = new Date();
    for (const when of root.querySelectorAll(".when")) {
      const times = [...when.querySelectorAll("time")];
      const dates = times.map((time) => new Date(time.dateTime));
      if (dates.every(isUtc)) continue;
      times.forEach((time, i) => { time.textContent = told(dates[i], now); });
      const utc = when.querySelector(".utc");
      utc.textContent = `(${utc.dataset.said})`;
    }
    for (const tick of root.querySelectorAll("[data-at]")) tick.textContent = clock(new Date(tick.dataset.at));
  };

  const say = (words) => { byId("say").textContent = words; };

  // A part is replaced only when its text has changed: focus, selection and opened details stay.
  const replace = (old, fresh) => {
    const opened = [...old.querySelectorAll("details[open][id]")].map((details) => details.id);
    const focused = old.contains(document.activeElement) ? document.activeElement : null;
    const owner = focused && focused.closest("details[id]");
    localise(fresh);
    old.replaceWith(fresh);
    for (const id of opened) { const again = byId(id); if (again) again.open = true; }
    if (owner) { const again = byId(owner.id); if (again) again.querySelector("summary").focus(); }
  };

  const renew = (text) => {
    const next = new DOMParser().parseFromString(text, "text/html");
    const main = byId("main");
    const fresh = [...next.querySelectorAll("[data-part]")];
    const before = document.title;
    for (const part of fresh) {
      const old = byId(part.id);
      const source = part.outerHTML;
      if (old && served.get(part.id) !== source) replace(old, document.adoptNode(part));
      else if (!old) { localise(part); main.append(document.adoptNode(part)); }
      served.set(part.id, source);
    }
    const names = fresh.map((part) => part.id);
    for (const old of main.querySelectorAll("[data-part]")) if (!names.includes(old.id)) old.remove();
    names.forEach((id) => { // only a page of another shape needs its parts put in order
      if (main.children[names.indexOf(id)] !== byId(id)) main.insertBefore(byId(id), main.children[names.indexOf(id)]);
    });
    const foot = document.adoptNode(next.querySelector("footer"));
    localise(foot);
    if (!document.querySelector("footer").contains(document.activeElement)) document.querySelector("footer").replaceWith(foot);
    document.title = next.title;
    if (next.title !== before) say(byId("answer-title").textContent);
  };

  const judgeAge = () => {
    const age = Date.now() - heard;
    const now = age > STALE_MS;
    const notice = byId("stale");
    if (now) {
      const at = new Date(heard);
      const utc = isUtc(at) ? " UTC" : ` (${at.toISOString().slice(11, 16)} UTC)`;
      notice.textContent = `No answer from this agent since ${clock(at)}${utc}. What stands below is old.`;
    }
    if (now === stale) return;
    stale = now;
    notice.hidden = !now;
    document.body.classList.toggle("old", now);
    say(now ? "The agent does not answer; what is shown is old." : "The agent answers again.");
  };

  // The page as the agent gives it now; null when there is no answer.
  const ask = async () => {
    try {
      const answer = await fetch("/", { cache: "no-store", signal: AbortSignal.timeout(GIVE_UP_MS) });
      return answer.ok ? await answer.text() : null;
    } catch (error) {
      if (["TypeError", "TimeoutError", "AbortError"].includes(error.name)) return null;
      throw error;
    }
  };

  const turn = async () => {
    if (busy || document.hidden) return;
    busy = true;
    try {
      const text = await ask();
      if (text !== null) {
        renew(text);
        heard = Date.now();
      }
    } finally {
      busy = false;
      judgeAge();
    }
  };

  for (const part of document.querySelectorAll("[data-part]")) served.set(part.id, part.outerHTML);
  localise(document);
  document.documentElement.classList.add("live");
  setInterval(turn, EVERY_MS);
  document.addEventListener("visibilitychange", turn);
})();
