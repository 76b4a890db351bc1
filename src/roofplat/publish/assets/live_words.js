// What two scenarios of one building have in common and what not, in words.
// In: scenarios as live_page.js keeps them: the wish, the server's answer, and the plan made of it.
// Out: lines of a table, and what changed from one to the other.
"use strict";
var roofplatWords = (function () {
  const { compass, number, reason, sentence, thousands, words } = roofplatCard;
  const { distanceFeet } = roofplatTools;
  // Less than this is the same place.
  const LEAST_MOVE_FT = 1;

  const latLng = ([lon, lat]) => L.latLng(lat, lon);

  function feetWords(feet) {
    return `${thousands(feet)} ft`;
  }

  // How far and where to one place lies from another.
  function shift(state, from, to) {
    const one = latLng(from), other = latLng(to), feet = distanceFeet(one, other, state.district.head.ground_scale || 1);
    const east = (other.lng - one.lng) * Math.cos((one.lat * Math.PI) / 180), north = other.lat - one.lat;
    return { feet, toward: compass(((Math.atan2(east, north) * 180) / Math.PI + 360) % 360) };
  }

  // The middle of the box around a row.
  function middleOf(layer, row) {
    const [west, north, east, south] = layer.boxes.subarray(4 * row, 4 * row + 4);
    const { lng, lat } = L.CRS.EPSG3857.pointToLatLng(L.point((west + east) / 2, (north + south) / 2), 0);
    return [lng, lat];
  }

  // Where a line begins: of a ladder its base.
  function startOf(layer, row) {
    const at = layer.firstVertex[layer.firstCurve[row]], { lng, lat } = L.CRS.EPSG3857.pointToLatLng(L.point(layer.x[at], layer.y[at]), 0);
    return [lng, lat];
  }

  const BASES = { given: "as set", prevailing: "prevailing", assumed: "assumed" };

  function fireWords({ wish, answer: { scenario } }) {
    if (!scenario.fire) return "none";
    const [lon, lat] = scenario.fire, where = `${lat.toFixed(5)}, ${lon.toFixed(5)}`;
    return wish.fire ? `as tapped, ${where}` : `of the standing plan (${scenario.fire_basis || "assumed"}), ${where}`;
  }

  function windWords({ answer: { scenario: { wind_from_deg: from, wind_basis: basis } } }) {
    return from === null || from === undefined ? "none" : `${roofplatWind.words(from)}, ${BASES[basis] || basis || "assumed"}`;
  }

  function ladderWords(ladders, row) {
    if (row === undefined) return "none";
    const how = { ground_ladder: `${number(ladders.get("ladder_ft", row) || 0)} ft ground ladder`, aerial: "aerial", out_of_reach: "out of reach" };
    return [`side ${ladders.get("side", row) ?? "not known"}`, how[ladders.get("apparatus", row)] || "ladder not known"].join(", ");
  }

  function openingWords(openings, rows) {
    if (!rows.length) return "none";
    const wanted = openings.get("wanted_ft2", rows[0]), placed = openings.get("placed_ft2", rows[0]);
    const area = placed === null ? "" : `, ${thousands(placed)} ft² placed`, of = wanted ? ` of ${thousands(wanted)} ft² wanted${placed + 1 < wanted ? ": short" : ""}` : "";
    return `${rows.length} ${rows.length === 1 ? "opening" : "openings"}${area}${of}`;
  }

  function trenchWords(trenches, rows) {
    if (!rows.length) return "none";
    return rows.map((row) => [words(trenches.get("method", row)), trenches.get("length_ft", row) === null ? null : `${feetWords(trenches.get("length_ft", row))} long`,
      trenches.get("from_fire_ft", row) === null ? null : `${feetWords(trenches.get("from_fire_ft", row))} from the fire spot`].filter(Boolean).join(", ")).join("; ");
  }

  // The section that holds the fire, else the first.
  function mainSection({ plan }, row) {
    const { sections } = plan.layers, rows = sections.rowsOf(row);
    return rows.find((one) => sections.get("planned", one)) ?? rows[0];
  }

  function methodOf(scenario, row) {
    const { sections } = scenario.plan.layers, main = mainSection(scenario, row);
    return main === undefined ? null : sections.get("cut_method", main);
  }

  function whyOf(scenario, row) {
    const { sections } = scenario.plan.layers, main = mainSection(scenario, row), why = main === undefined ? null : sections.get("cut_method_why", main);
    return why ? reason(why, sections.get("cut_method", main)) : null;
  }

  // Warnings of a scenario: what the server says of it, each once.
  function warningsOf({ answer }) {
    const { problems } = answer.reasons || {};
    return (problems || []).filter(({ severity }) => severity !== "info").map(({ message, action }) => [message, action].filter(Boolean).map(sentence).join(" "));
  }

  // A scenario line by line: what it is, how it reads, and where it is.
  function linesOf(state, row, scenario) {
    const { ladders, paths, openings, trenches } = scenario.plan.layers, spots = ladders.rowsOf(row);
    const spot = (rank) => spots.find((one) => ladders.get("rank", one) === rank);
    const first = spot(1), second = spot(2), opened = openings.rowsOf(row), cuts = trenches.rowsOf(row), method = methodOf(scenario, row);
    const path = paths.rowsOf(row).find((one) => paths.get("ladder_rank", one) === 1), noTrench = (scenario.answer.reasons || {}).trench;
    return [
      { key: "fire", what: "Fire spot", said: fireWords(scenario), at: scenario.answer.scenario.fire || null },
      { key: "wind", what: "Wind", said: windWords(scenario) },
      { key: "wished", what: "Method asked for", said: scenario.wish.method ? words(scenario.wish.method) : "none" },
      { key: "placed", what: "Ladder already placed", said: scenario.wish.ladder ? "yes" : "no", at: scenario.wish.ladder },
      { key: "method", what: "Method", said: method === null ? "no cut is planned" : words(method), why: whyOf(scenario, row) },
      { key: "first", what: "First ladder", said: ladderWords(ladders, first), at: first === undefined ? null : startOf(ladders, first) },
      { key: "second", what: "Second way off", said: ladderWords(ladders, second), at: second === undefined ? null : startOf(ladders, second) },
      { key: "path", what: "Path of travel", said: path === undefined ? "none" : feetWords(paths.get("length_ft", path) || 0) },
      { key: "openings", what: "Openings", said: openingWords(openings, opened), at: opened.length ? middleOf(openings, opened[0]) : null },
      { key: "trench", what: "Trench", said: trenchWords(trenches, cuts), why: cuts.length || !noTrench ? null : sentence(noTrench), at: cuts.length ? middleOf(trenches, cuts[0]) : null },
      { key: "warnings", what: "Warnings", said: warningsOf(scenario).join(" ") || "none" },
    ];
  }

  const ASKED = new Set(["fire", "wind", "wished", "placed"]);
  const MOVERS = { openings: "the first opening", trench: "its middle", first: "its base", second: "its base", fire: "it", placed: "it" };

  // The lines of two scenarios side by side; `differs` says whether they do, and `moved` how far a place went.
  function compared(state, row, one, other) {
    const before = linesOf(state, row, one), after = linesOf(state, row, other);
    return before.map((line, place) => {
      const now = after[place], far = line.at && now.at ? shift(state, line.at, now.at) : null, moves = far !== null && far.feet >= LEAST_MOVE_FT;
      const moved = moves ? `${MOVERS[line.key]} lies ${feetWords(far.feet)} to the ${far.toward}` : null;
      return { key: line.key, what: line.what, one: line, other: now, moved, asked: ASKED.has(line.key), differs: line.said !== now.said || moves };
    });
  }

  // What a scenario changed, in one sentence a line: what is now, what was, how far it went.
  function changes(lines, was) {
    return lines.filter(({ key, differs, asked }) => differs && !asked && key !== "warnings").map(({ what, one, other, moved }) => ({
      what, now: other.said, why: other.why || null,
      before: one.said === other.said ? null : `${was}: ${one.said}`, moved,
    }));
  }

  // The scenario in a few words: for a heading.
  function shortWords({ wish, answer: { scenario } }) {
    const parts = [wish.fire ? "fire as tapped" : "fire spot of the standing plan"];
    parts.push(scenario.wind_from_deg === null || scenario.wind_from_deg === undefined ? "no wind" : `wind ${roofplatWind.words(scenario.wind_from_deg)}`);
    if (wish.method) parts.push(`${words(wish.method)} asked for`);
    if (wish.ladder) parts.push("ladder placed");
    return parts.join(", ");
  }

  return { changes, compared, shortWords, warningsOf };
})();
