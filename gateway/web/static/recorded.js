// The values behind the plots: fetched for a stretch of time, then row by row as they come.

const [LEAST, MOST] = [600, 1200]; // buckets: every row of ten minutes, and what a screen shows

// names: of the series. interval: seconds from row to row.
export function recorded(names, interval) {
  const data = { time: [], width: 0, series: new Map(names.map((name) => [name, empty()])) };
  let asking = null;

  async function load(from, to, width) {
    asking?.abort();
    asking = new AbortController();
    const query = new URLSearchParams(names.map((name) => ["series", name]));
    query.append("from", from.toFixed(3));
    query.append("to", to.toFixed(3));
    query.append("buckets", Math.max(LEAST, Math.min(MOST, Math.round(width))));
    const answer = await fetch(`/api/v1/history?${query}`, { signal: asking.signal });
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    take(await answer.json());
  }

  // Rows that came while the past was on its way stay.
  function take(past) {
    const last = past.time.length ? past.time[past.time.length - 1] : -Infinity;
    const keep = data.time.findIndex((time) => time > last);
    const tail = keep < 0 ? data.time.length : keep;
    data.time.splice(0, tail, ...past.time);
    data.width = Math.max(...past.series.map((one) => one.width_s), 0);
    past.series.forEach((one) => {
      const mine = data.series.get(one.series);
      for (const part of PARTS) mine[part].splice(0, tail, ...one[part]);
    });
  }

  // values: [value, quality] by name of the series.
  function add(time, values) {
    const last = data.time[data.time.length - 1];
    if (last !== undefined && time <= last) return;
    if (last !== undefined && time - last > 3 * interval + 1 + data.width) put(last + interval + data.width, () => [null, "bad"]);
    put(time, (name) => values.get(name) || [null, "bad"]);
  }

  function put(time, of) {
    data.time.push(time);
    for (const [name, mine] of data.series) {
      const [value, quality] = of(name);
      for (const part of ["mean", "min", "max"]) mine[part].push(value);
      mine.count.push(value === null ? 0 : 1);
      mine.quality.push(quality);
    }
  }

  function forget(before) {
    let n = 0;
    while (n < data.time.length && data.time[n] < before) n += 1;
    if (!n) return;
    data.time.splice(0, n);
    for (const mine of data.series.values()) for (const part of PARTS) mine[part].splice(0, n);
  }

  function clear() {
    data.time.length = 0;
    for (const mine of data.series.values()) for (const part of PARTS) mine[part].length = 0;
  }

  return { data, load, add, forget, clear };
}

const PARTS = ["mean", "min", "max", "count", "quality"];
const empty = () => Object.fromEntries(PARTS.map((part) => [part, []]));
