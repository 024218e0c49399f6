// How numbers, times and states are put into words. Nothing here touches the page's structure.

import { choice } from "./choices.js";

export const LEVELS = {
  "failure": "failure",
  "function check": "check",
  "out of specification": "out",
  "maintenance required": "maintenance",
  "good": "good",
};

const GRAVEST_FIRST = ["failure", "check", "out", "maintenance", "good", "none"];
export const zone = usable(choice("clock") === "device" ? undefined : document.body.dataset.zone);
const clock = format({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
const short = format({ hour: "2-digit", minute: "2-digit" });
const full = format({ dateStyle: "long", timeStyle: "medium" });
const weekday = format({ weekday: "short", day: "numeric", month: "short" });
const date = format({ day: "numeric", month: "short" });
const dated = format({ day: "numeric", month: "short", year: "numeric" });
const wall = format({ year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" });

function usable(name) {
  try {
    return new Intl.DateTimeFormat("en-GB", { timeZone: name }).resolvedOptions().timeZone;
  } catch {
    return "UTC";
  }
}

function format(parts) {
  return new Intl.DateTimeFormat("en-GB", { ...parts, hourCycle: "h23", timeZone: zone });
}

export const rank = (level) => GRAVEST_FIRST.indexOf(level);
export const worst = (levels) => levels.reduce((a, b) => (rank(b) < rank(a) ? b : a), "good");

// No pressure is as large: registers in a wrong order are, and such a row of digits fits nowhere.
const HUGE = 1e7;
const powers = (value) => value.toExponential(2).replace("e+", "e").replace("-", "−");

export function figure(value, decimals) {
  if (value === null || value === undefined) return "–";
  if (Math.abs(value) >= HUGE) return powers(value);
  const text = value.toFixed(decimals);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
}

export const amount = (value) => (Math.abs(value) >= HUGE ? powers(value)
  : String(Math.abs(value) >= 1000 ? Math.round(value) : Number(value.toPrecision(4))).replace("-", "−"));

export const brief = (value, digits = 3) =>
  (value === null ? "–" : String(Number(value.toPrecision(digits))).replace("-", "−"));

export const count = (value) => value.toLocaleString("en-GB").replaceAll(",", " ");

// What an input's point shows: whole counts, but not of one that tells volts, milliamps or percent.
export const raw = (value) => (Math.abs(value) < 1000 ? brief(value, 4) : count(Math.round(value)));

export const seconds = (iso) => Date.parse(iso) / 1000;
export const timeOfDay = (time) => clock.format(new Date(time * 1000));
export const minuteOfDay = (time) => short.format(new Date(time * 1000));

// Times below an axis: the day under the first one after `from` and wherever another begins.
export function axisTimes(at, step, from) {
  let day = "";
  return at.map((time) => {
    const when = new Date(time * 1000);
    if (step >= 86400) return step >= 20 * 86400 ? dated.format(when) : date.format(when);
    const text = (step < 60 ? clock : short).format(when);
    const today = date.format(when);
    if (today === day || time < from) return text;
    day = today;
    return `${text}\n${today}`;
  });
}

export const day = (time) => dated.format(new Date(time * 1000));

// A stretch of time in words.
export function between(from, to) {
  const [a, b] = [from, to].map((time) => new Date(time * 1000));
  const same = dated.format(a) === dated.format(b);
  const parts = (when) => (to - from <= 3600 ? clock : short).format(when);
  return same ? `${dated.format(a)}, ${parts(a)} to ${parts(b)}` : `${dated.format(a)} ${parts(a)} to ${dated.format(b)} ${parts(b)}`;
}

// For a field of the browser's, in the shown zone: "2026-05-28T20:26:40", and back.
export function fieldTime(time) {
  const ms = shownAs(time * 1000);
  return new Date(ms).toISOString().slice(0, 19);
}
export function fromField(text) {
  const wanted = Date.parse(`${text}Z`);
  let guess = wanted;
  for (let k = 0; k < 2; k += 1) guess += wanted - shownAs(guess); // twice: the clocks may change
  return guess / 1000;
}

export const fullDate = (time) => `${full.format(new Date(time * 1000))} ${zone}`;

export function moment(time, now) {
  const at = new Date(time * 1000);
  if (weekday.format(at) === weekday.format(new Date(now * 1000)) && Math.abs(now - time) < 86400) return clock.format(at);
  return Math.abs(now - time) > 300 * 86400 ? dated.format(at) : `${weekday.format(at)}, ${short.format(at)}`;
}

export function lasting(span) {
  if (span < 100) return `${Math.max(0, Math.round(span))} s`;
  if (span < 5400) return `${Math.round(span / 60)} min`;
  if (span < 172800) return `${Math.round(span / 3600)} h`;
  return `${Math.round(span / 86400)} days`;
}

export const plain = (identifier) => identifier.replaceAll("-", " ");

// An alarm by its id, "open-circuit:dp-402".
export function alarmName(id) {
  const [fault, subject] = id.split(":");
  return `${plain(fault)} at ${subject}`;
}

export function listed(words, last = "or") {
  if (words.length < 2) return words.join("");
  return `${words.slice(0, -1).join(", ")} ${last} ${words[words.length - 1]}`;
}

// The pressure of a loop by those of its transducers that can be believed; shown: its measure.
export function believed({ believed: value, without }, shown) {
  if (!without.length) return "";
  return value === null ? "none of its transducers can be believed" : `${shown.with(value)} without ${listed(without, "and")}`;
}

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

export const many = (n, one, more = `${one}s`) => `${n} ${n === 1 ? one : more}`;

// The alarms in one line, for every page.
export function tallied(tally) {
  const out = tally.out_of_service.map((one) => one.subject);
  return [
    asking(tally),
    tally.shelved ? `${tally.shelved} shelved` : "",
    out.length ? `out of service: ${out.length > 3 ? `${out.length} transducers or loops` : listed(out, "and")}` : "",
  ].filter(Boolean).join("; ");
}

function asking({ shown, unacknowledged, high }) {
  if (!shown) return "No alarms";
  if (shown === 1) return `1 alarm${high ? " of high priority" : ""}, ${unacknowledged ? "not acknowledged" : "acknowledged"}`;
  const seen = unacknowledged ? `${unacknowledged} not acknowledged` : "all acknowledged";
  return `${shown} alarms, ${seen}${high ? `, ${high} of high priority` : ""}`;
}

// Seconds since 1970 at which a day of the site begins, `later` days on; day: "2026-05-28".
export function startOfDay(day, later) {
  const [year, month, date] = day.split("-").map(Number);
  const wanted = Date.UTC(year, month - 1, date + later);
  let guess = wanted;
  for (let k = 0; k < 2; k += 1) guess += wanted - shownAs(guess); // twice: the clocks may change
  return guess / 1000;
}

function shownAs(ms) {
  const part = Object.fromEntries(wall.formatToParts(new Date(ms)).map((one) => [one.type, Number(one.value)]));
  return Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second);
}

// Where a subject has its page.
export function addressOf(kind, subject) {
  return kind === "controller" ? "/system" : `/${kind}s/${encodeURIComponent(subject)}`;
}
