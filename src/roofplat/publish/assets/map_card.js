// The card of the map page: what is known and planned of one building.
// In: the state of map_page.js, a row of the overview and the plan that holds it.
// Out: the contents of #card-body. Text from data reaches the page through textContent alone.
"use strict";
var roofplatCard = (function () {
  const { spotWarning, titleOf } = roofplatDraw;
  const { element } = roofplatData;

  function thousands(value) {
    return String(Math.round(value)).replace(/\B(?=(\d{3})+$)/g, ",");
  }

  // What methods are called; it comes with the data.
  let methodWords = {};

  function useWords(methods) {
    methodWords = methods;
  }

  function words(name) {
    return name === null ? null : methodWords[name] || name.replaceAll("_", " ");
  }

  // Codes of the tables read as words; ids of rules, which have a point in them, stay as they are.
  function plain(text) {
    return text.replace(/(?<![.\w])[a-z]+(?:_[a-z]+)+(?![.\w])/g, (code) => words(code));
  }

  // A reason begins with the method or the code it is about; said once is enough.
  function reason(text, method) {
    const [, code, rest] = /^(\w+): (.*)$/s.exec(text) || [null, null, text];
    return code === null || code === method ? sentence(plain(rest)) : sentence(`${words(code)}: ${plain(rest)}`);
  }

  function sentence(text) {
    const whole = text.charAt(0).toUpperCase() + text.slice(1);
    return /[.!?]$/.test(whole) ? whole : `${whole}.`;
  }

  function number(value, places = 1) {
    return String(Number(value.toFixed(places)));
  }

  function withBasis(value, basis) {
    return value === null ? null : `${value} (${basis || "assumed"})`;
  }

  function addFacts(card, facts) {
    const list = element("dl");
    for (const [term, value] of facts) {
      if (value === null || value === undefined) continue;
      list.append(element("dt", term), element("dd", value));
    }
    card.append(list);
  }

  function addList(card, title, tag, items) {
    if (!items.length) return;
    const list = element(tag);
    for (const parts of items) {
      const item = element("li");
      for (const [text, className] of parts) if (text) item.append(element("span", text, className), " ");
      list.append(item);
    }
    card.append(element("h3", title), list);
  }

  // Writes the card of a building; its plan has been unpacked.
  function fillCard(state, row, plan) {
    const { buildings } = state.layers, { layers } = plan, { details } = layers, detail = details.rowsOf(row)[0];
    const get = (column) => (column in buildings.columns ? buildings.get(column, row) : details.get(column, detail));
    const familyOf = (key) => state.families[key] || state.families.unknown;
    const family = familyOf(get("roof_family")), parts = layers.sections.rowsOf(row);
    const card = document.getElementById("card-body");
    card.replaceChildren(element("h2", titleOf(buildings, row)));
    if (get("alert")) card.append(element("p", get("alert"), "alert"));
    if (get("surveyed_on") === null) card.append(element("p", "Nobody has surveyed this roof.", "warn"));
    const cautions = new Set([family, ...parts.map((part) => familyOf(layers.sections.get("roof_family", part)))].map((one) => one.caution));
    card.append(element("h3", "Caution"));
    for (const caution of cautions) card.append(element("p", caution, "warn"));
    const zones = layers.collapse_zones.rowsOf(row), zone = (column) => layers.collapse_zones.get(column, zones[0]);
    if (zones.length && zone("pushes_out")) card.append(element("p", `Collapse zone ${number(zone("distance_ft"))} ft from the walls. ${zone("why") || ""}`, "warn"));
    card.append(element("h3", "Building"));
    addFacts(card, [
      ["Id", get("building_id")], ["Address", get("address")], ["Area", get("dispatch_area")],
      ["Roof", withBasis(family.label, get("family_basis"))],
      ["Lightweight", get("p_lightweight") === null ? null : `chance ${get("p_lightweight")}`],
      ["Occupancy", get("occupancy")], ["Built", get("year_built")], ["Storeys", get("storeys")],
      ["Height", get("height_ft") === null ? null : withBasis(`${get("height_ft").toFixed(0)} ft`, get("height_basis"))],
      ["Collapse zone", zones.length ? `${number(zone("distance_ft"))} ft from the walls, for walls of ${withBasis(`${number(zone("height_ft"))} ft`, zone("height_basis"))}` : null],
      ["Ground area", get("area_ft2") === null ? null : `${thousands(get("area_ft2"))} ft2`],
      ["Sprinklers", { true: "yes", false: "no" }[get("sprinklered")] || "not known"],
      ["Roof survey", get("surveyed_on") || "never"], ["Inspected", get("inspected_on") || "no record"],
    ]);
    if (get("rank") !== null) {
      card.append(element("h3", `Rank ${get("rank")} of ${state.ranked}`), element("p", get("reasons")));
      addFacts(card, [["Score", get("score")], ["Inspection class", get("class")], ["Next due", get("next_due")]]);
    }
    addList(card, "Ladder spots", "ul", layers.ladders.rowsOf(row).map((spot) => [
      [`${layers.ladders.get("rank", spot)}.`], [ladderWords(layers.ladders, spot)], [spotDanger(plan, spot), "warn"],
      [layers.ladders.get("usng", spot), "grid"], [layers.ladders.get("reasons", spot), "small"]]));
    for (const part of parts) addSection(card, state, plan, row, part, parts.length > 1);
    addList(card, "Openings, in order", "ul", layers.openings.rowsOf(row).map((part) => [
      [`${layers.openings.get("seq", part)}. ${openingWords(layers.openings, part)}`],
      [layers.openings.get("usng", part), "grid"], [layers.openings.get("why", part), "small"]]));
    addList(card, "Trench", "ul", layers.trenches.rowsOf(row).map((part) => [
      [`${words(layers.trenches.get("method", part))}, ${thousands(layers.trenches.get("length_ft", part) || 0)} ft long`],
      [layers.trenches.get("usng", part), "grid"], [layers.trenches.get("why", part), "small"]]));
    if (get("solar_checks")) {
      const audit = layers.solar_access;
      card.append(element("h3", "Solar access"), element("p", `${get("solar_met")} of ${get("solar_checks")} checks met.`));
      const list = element("ul");
      for (const one of audit.rowsOf(row)) list.append(element("li", `${audit.get("finding", one) === "failed" ? "Not met" : "Cannot be told"}, array ${audit.get("array", one)}: ${audit.get("message", one)}`));
      if (list.childElementCount) card.append(list);
    }
    card.append(element("h3", "Read this"), element("p", state.scenario), element("p", state.ground), element("p", state.caution));
  }

  function ladderWords(ladders, row) {
    const get = (column) => ladders.get(column, row), setback = get("base_setback_ft"), support = get("support_ft"), highest = get("highest_ft");
    const how = { ground_ladder: `${get("ladder_ft")} ft ground ladder`, aerial: "aerial", out_of_reach: "out of reach" };
    return [`side ${get("side") ?? "?"}`, how[get("apparatus")] || "ladder not known",
      setback === null || get("apparatus") !== "ground_ladder" ? null : `base ${setback.toFixed(1)} ft out`,
      get("aerial_setback_ft") === null ? null : `${get("aerial_setback_ft").toFixed(0)} ft from the street to the tip`,
      support === null ? `height ${get("height_basis") || "assumed"}` : `edge and parapet at ${withBasis(`${number(support)} ft`, get("height_basis"))}`,
      highest === null ? null : `${get("apparatus") === "out_of_reach" ? "the best there is reaches" : "reaches"} ${number(highest)} ft`].filter(Boolean).join(", ");
  }

  function spotDanger(plan, row) {
    return spotWarning(plan, row) === "in the collapse zone" ? "The base stands in the collapse zone." : null;
  }

  function openingWords(openings, row) {
    const method = openings.get("method", row), first = method === "existing_opening" || method === "glazing";
    return `${words(method)}, ${thousands(openings.get("area_ft2", row) || 0)} ft2` + (first ? ": open first, fall hazard" : "");
  }

  // 12 rafters, 2 ft apart (assumed)
  function memberWords(members, row) {
    const kind = members.get("kind", row), count = members.get("count", row), spacing = members.get("spacing_ft", row);
    const one = kind === "glazing" ? "line of glazing" : kind;
    const kinds = count === 1 ? one : { truss: "trusses", glazing: "lines of glazing" }[kind] || `${kind}s`;
    return withBasis([count === null ? kinds : `${thousands(count)} ${kinds}`, spacing === null ? null : `${number(spacing, 2)} ft apart`].filter(Boolean).join(", "), members.get("basis", row));
  }

  function addSection(card, state, plan, building, row, several) {
    const { sections, members, planes } = plan.layers, get = (column) => sections.get(column, row);
    const own = (layer) => layer.rowsOf(building).filter((one) => layer.get("part", one) === get("part"));
    const family = state.families[get("roof_family")] || state.families.unknown, method = get("cut_method"), slope = get("slope_deg");
    const flat = get("area_ft2"), along = get("true_area_ft2"), axis = get("framing_axis_deg");
    card.append(element("h3", several ? `Roof section ${get("part")}` : "Roof"));
    addFacts(card, [
      ["Family", several ? withBasis(family.label, get("family_basis")) : null],
      ["Form", get("roof_shape") === null ? null : withBasis(words(get("roof_shape")), get("shape_basis"))],
      ["Slope", slope === null ? null : withBasis(`${number(slope)}°`, get("slope_basis"))],
      ["Rise", get("rise_ft") ? `${number(get("rise_ft"))} ft from eave to top` : null],
      ["Planes", own(planes).length || null],
      ["Area", `${thousands(flat || 0)} ft2 on the ground` + (along === null || Math.round(along) === Math.round(flat) ? "" : `, ${thousands(along)} ft2 along the slope`)],
      ["Framing runs", axis === null ? "not known" : withBasis(`${axis.toFixed(0)}°`, get("axis_basis"))],
      ["Members", own(members).map((one) => memberWords(members, one)).join("; ") || "none drawn"],
      ["Scenario", get("fire_basis") === null ? null : `fire spot ${get("fire_basis")}, wind from ${get("wind_from_deg")}° (${get("wind_basis")})`],
      ["Opening", method === null ? "no cut drawn" : words(method)],
    ]);
    if (get("cut_method_why")) card.append(element("p", reason(get("cut_method_why"), method), method === null || method === "do_not_cut" ? "warn" : undefined));
    const rejected = (get("methods_rejected") || "").split(/; (?=\w+: )/).filter(Boolean);
    if (!rejected.length) return;
    const list = element("ul");
    for (const one of rejected) list.append(element("li", sentence(plain(one))));
    card.append(element("h4", "Rejected, and the rule"), list);
  }

  return { fillCard, useWords };
})();
