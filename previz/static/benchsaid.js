/* What the live bench says of its numbers: by which judge they are, and how far he is. One plain script that makes one
   name, `Said`; it needs draw.js.

   Two judges speak. The fast one answers under the hand, roughly, and at once when it rests; the full one, who is that of
   `previz score` and of the report, looks at every frame of the move then and has the last word.

   Said.frame(state, full, judged)   {row, kind} of the frame in hand: the full judge's row where there is one
   Said.kind(state, full, judged, down) -> the line under the verdict
   Said.hold(state, full, hold) -> [how long it holds, what else], in words
   Said.rows(state, full, hold) -> rows of the curve, the full judge's wherever he has looked
   Said.candidate                    words of a kept candidate: shows, holds, judge, found, worst, reveal */
"use strict";

const Said = (() => {
  const pct = (value) => Draw.pct(value);
  const of = (state, full) => (full && state && full.scene === state.scene ? full : null);

  function frame(state, full, judged) {
    const known = of(state, full), row = known && known.rows.find((one) => one.frame === state.frame);
    if (row) return { row, kind: "full" };
    return { row: judged, kind: judged ? (judged.rough ? "rough" : "fast") : "" };
  }

  const PAINT = {
    solved: "in the solved paint", stale: "in paint that was solved for another set or move, so it is stale: previz paint solves it anew",
    projected: "in projected paint: none is solved yet (previz paint)",
  };

  function kind(state, full, judged, down) {
    if (down) return "old: the bench does not answer";
    if (state.faults.length) return "the scene file has faults: this is of the scene before";
    const known = of(state, full), said = frame(state, full, judged);
    const words = [{ full: `${known ? known.wide : ""} px, full judge`, fast: "fast judge", rough: "fast judge, roughly", "": "the set is being built" }[said.kind]];
    if (known) words.push(known.summary ? `all ${known.of} frames` : `${known.done} of ${known.of} frames`);
    if (known && PAINT[known.paint]) words.push(PAINT[known.paint]);
    else if (!known && state.solving) words.push("in projected paint; the full judge looks at solved paint");
    return words.join(", ");
  }

  const stretch = (seconds, mm) => `${seconds.toFixed(1)} s of film, ${mm.toFixed(1)} mm of rail`;

  function ofSummary(one) {
    const worst = Math.max(one.break_worst_pct ?? 0, one.trace_worst_pct ?? 0), parts = [];
    const holds = one.hold_frames ? `holds for ${stretch(one.hold_s, one.hold_mm)}, frames ${one.hold_first} to ${one.hold_last}`
      : one.hold_still_frames ? "found before the station point" : "does not hold at the station point";
    if (one.found_hold_pct != null) parts.push(`found by ${one.found_hold_pct.toFixed(0)} of 100 by the end of the hold asked for`);
    if ((one.hold_still_frames ?? 0) > one.hold_frames) parts.push(`as stills ${one.hold_still_mm.toFixed(1)} mm`);
    if (one.break_worst_pct != null) {
      parts.push(`worst in the hold asked for ${pct(worst)} at frame ${one.worst_frame}${one.worst_tells.length ? ` (${one.worst_tells.join(", ")})` : ""}`);
    }
    if (one.break_reveal_pct != null) parts.push(`at the reveal ${pct(one.break_reveal_pct)}`);
    return [`${one.hidden ? "hidden as long as asked for" : "not hidden as long as asked for"}: ${holds}`, ...parts];
  }

  function ofHold(news) {
    const parts = [];
    const holds = news.frames ? `holds for ${stretch(news.hold_s, news.hold_mm)}, frames ${news.first} to ${news.last}`
      : news.still_s > 0 ? "found before the station point" : "does not hold at the station point";
    if (news.found_pct != null) parts.push(`found by ${news.found_pct.toFixed(0)} of 100 by the end of the hold asked for`);
    if (news.still_s > news.hold_s + 1e-9) parts.push(`as stills ${news.still_mm.toFixed(1)} mm`);
    if (news.worst_pct != null) parts.push(`worst in the hold asked for ${pct(news.worst_pct)}`);
    if (news.reveal_pct != null) parts.push(`at the reveal ${pct(news.reveal_pct)}`);
    return [`${news.rough ? "roughly" : "fast judge"}: ${holds}`, ...parts];
  }

  function hold(state, full, news) {
    const known = of(state, full);
    if (known && known.summary) return ofSummary(known.summary);
    return news ? ofHold(news) : [];
  }

  function rows(state, full, news) {
    const known = of(state, full), exact = new Map(known ? known.rows.map((row) => [row.frame, row]) : []);
    if (known && known.summary) return known.rows;
    const fast = (news ? news.rows : []).filter((row) => !exact.has(row.frame));
    return [...fast, ...exact.values()].sort((a, b) => a.frame - b.frame);
  }

  function held(state, full, news) {
    const known = of(state, full);
    if (known && known.summary) return known.summary.hold_frames ? [known.summary.hold_first, known.summary.hold_last] : null;
    return news && news.frames ? [news.first, news.last] : null;
  }

  const candidate = {
    shows: (c) => pct(Draw.shown(c.full ? c.full.own : c.break)),
    holds: (c) => { const one = c.full ? c.full.summary : c.hold; return (c.full ? one.hold_frames : one.frames) ? `holds for ${stretch(one.hold_s, one.hold_mm)}` : "does not hold"; },
    judge: (c) => (c.full ? `${c.full.wide} px, full judge` : "fast judge"),
    found: (c) => { const found = c.full ? c.full.summary.found_hold_pct : c.hold.found_pct; return found == null ? "-" : `${found.toFixed(0)} of 100`; },
    worst: (c) => pct(c.full ? Math.max(c.full.summary.break_worst_pct ?? 0, c.full.summary.trace_worst_pct ?? 0) : c.hold.worst_pct),
    reveal: (c) => pct(c.full ? c.full.summary.break_reveal_pct : c.hold.reveal_pct),
  };

  return { frame, kind, hold, rows, held, candidate, of };
})();
