// The card of the map page: what is known and planned of one building, in the order it is needed.
// In: the state of map_page.js, a row of the overview and the plan that holds it.
// Out: the contents of #card-body, and the same for print. Text from data reaches the page through
// textContent alone, in elements of its own, so that a mark in it turns nothing beside it around.
"use strict";
var roofplatCard = (function () {
  const { spotWarning, titleOf } = roofplatDraw;
  const { element } = roofplatData;
  // Longer texts fold, and this much of them is shown.
  const LONG = 300, SHOWN = 160, PRINTED = 100, TITLE = 100;
  // Families said of a roof that nobody has surveyed.
  const MOST_ODDS = 4;
  const COMPASS = ["north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest"];
  // Letters of the occupancy groups of the International Building Code, chapter 3.
  const OCCUPANCIES = { A: "assembly", B: "business", E: "education", F: "factory", H: "high hazard", I: "institution", M: "shop", R: "residence", S: "storage", U: "utility" };
  // Attributes of the tables in the order of a card: words, and the unit or the way to say the value.
  const FIELDS = {
    roof_family: ["Roof family", "family"], height_ft: ["Height of the roof edge", "ft"], storeys: ["Storeys"],
    year_built: ["Year built"], occupancy: ["Occupancy", "occupancy"], sprinklered: ["Sprinklers", "yes"],
    suspended_load: ["Something heavy hangs from the roof", "yes", "whether something heavy hangs from the roof"], roof_shape: ["Form of the roof"], slope_deg: ["Slope", "°"],
    roof_height_ft: ["Rise from eave to top", "ft"], ridge_deg: ["Ridge, from true north", "°"], ridge_runs: ["Ridge", "side"],
    downslope_deg: ["Falls toward, from true north", "°"], framing_axis_deg: ["Beams, from true north", "°"], beam_spacing_ft: ["Beam to beam", "ft"],
    purlin_spacing_ft: ["Purlin to purlin", "ft"], rafter_spacing_ft: ["Rafter to rafter", "ft"], deck: ["Deck"], panel_type: ["Roof panels"],
    parapet_ft: ["Parapet above the roof edge", "ft"], bearing_walls: ["Walls that carry beams", "sides"],
    sounding_walk_deg: ["Sounding walk, from true north", "°"], sounding_spacing_ft: ["Spacing felt on that walk", "ft"],
    inspected_on: ["Last fire inspection"], inspection_class: ["Inspection class, as stated"], inspect_by: ["Inspect by"], name: ["Name"], address: ["Address"],
  };
  // What an officer would ask for: said as not known where nobody knows it.
  const ASKED = ["roof_family", "height_ft", "storeys", "year_built", "occupancy", "sprinklered", "suspended_load", "roof_shape", "deck", "parapet_ft", "inspected_on", "address"];
  const BASES = ["surveyed", "recorded", "drawn", "inferred", "assumed"];
  const ON_THE_ROOF = {
    skylight: ["skylight, a fall hazard", "skylights, fall hazards"], smoke_vent: ["smoke vent, a fall hazard", "smoke vents, fall hazards"], hatch: ["roof hatch", "roof hatches"],
    unit: ["rooftop unit", "rooftop units"], solar: ["solar array", "solar arrays"], parapet: ["parapet", "parapets"],
    suspended_load: ["load hung from the roof", "loads hung from the roof"], other: ["other obstacle", "other obstacles"],
  };

  function thousands(value) {
    return String(Math.round(value)).replace(/\B(?=(\d{3})+$)/g, ",");
  }

  // What the class goes by.
  const CLASS_BASES = { occupancy: "by occupancy", stated: "as stated" };

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
    return code === null || code === method || !(code in methodWords) ? sentence(plain(rest)) : sentence(`${words(code)}: ${plain(rest)}`);
  }

  function capital(text) {
    return text.charAt(0).toUpperCase() + text.slice(1);
  }

  function sentence(text) {
    const whole = capital(text);
    return /[.!?]$/.test(whole) ? whole : `${whole}.`;
  }

  function number(value, places = 1) {
    return String(Number(value.toFixed(places)));
  }

  function withBasis(value, basis) {
    return value === null ? null : `${value} (${basis || "assumed"})`;
  }

  function compass(degrees) {
    return COMPASS[Math.round(degrees / 45) % 8];
  }

  // No letter is cut in two, whatever it is made of.
  function cut(text, most) {
    const letters = Array.from(text);
    return letters.length > most ? `${letters.slice(0, most).join("")}…` : text;
  }

  // One building's card on its way into a box: on the screen with parts that fold, flat for print.
  class Writer {
    constructor(box, flat) {
      this.box = box;
      this.flat = flat;
    }
    // Text from data, kept from what stands beside it; folded where it is long.
    said(text, className) {
      const whole = String(text);
      if (whole.length <= LONG) return element("bdi", whole, className);
      const box = element("span", null, className), count = thousands(Array.from(whole).length);
      box.append(element("bdi", cut(whole, this.flat ? PRINTED : SHOWN)), " ");
      if (this.flat) box.append(`(cut here, of ${count} characters)`);
      else {
        const fold = element("details", null, "whole");
        fold.append(element("summary", `All ${count} characters`), element("bdi", whole));
        box.append(fold);
      }
      return box;
    }
    add(tag, parts, className) {
      const made = element(tag, null, className);
      for (const part of [parts].flat()) if (part !== null && part !== undefined && part !== "") made.append(part);
      this.box.append(made);
      return made;
    }
    heading(text, level = 3) {
      this.add(`h${level}`, text);
    }
    // What the office needs: a line that opens.
    fold(title, write) {
      if (this.flat) { this.heading(title); write(this); return; }
      const box = element("details", null, "fold"), summary = element("summary");
      summary.append(element("h3", title));
      box.append(summary);
      write(new Writer(box, false));
      this.box.append(box);
    }
    facts(rows) {
      const list = element("dl");
      for (const [term, value, more] of rows) {
        if (value === null || value === undefined) continue;
        const told = element("dd");
        told.append(this.said(value));
        if (more) told.append(" ", this.said(more, "how"));
        const pair = element("div");
        pair.append(element("dt", term), told);
        list.append(pair);
      }
      if (list.childElementCount) this.box.append(list);
    }
    // A few values side by side.
    figures(pairs) {
      const list = element("dl", null, "figures");
      for (const [term, value] of pairs) {
        const pair = element("div");
        pair.append(element("dt", term), element("dd", value));
        list.append(pair);
      }
      this.box.append(list);
    }
    // Items are lists of parts, each on a line of its own.
    list(items, tag = "ul", className = "items") {
      if (!items.length) return;
      const list = element(tag, null, className);
      for (const parts of items) {
        const item = element("li");
        for (const part of parts) {
          if (!part) continue;
          const line = element("div");
          line.append(part);
          item.append(line);
        }
        list.append(item);
      }
      this.box.append(list);
    }
    grid(text) {
      if (!text) return null;
      const line = element("span", null, "where");
      line.append(element("bdi", text, "grid"));
      if (!this.flat) {
        const button = element("button", "Copy", "copy");
        button.type = "button";
        button.dataset.copy = text;
        button.setAttribute("aria-label", `Copy the grid string ${text}`);
        line.append(button);
      }
      return line;
    }
    small(text) {
      return text ? this.said(text, "small") : null;
    }
  }

  // Writes the card of a building; its plan has been unpacked.
  function fillCard(state, row, plan) {
    const body = document.getElementById("card-body");
    body.replaceChildren();
    state.plan = plan;
    writeCard(new Writer(body, false), state, row, plan);
  }

  // The same without what is pressed or folds, with a drawing of the plan and one of the openings.
  function printCard(box, state, row, plan, drawing, work) {
    writeCard(new Writer(box, true), state, row, plan, drawing, work);
  }

  // The plan alone, in the words of the card, and where nothing is cut: for a scenario that is not the standing one.
  function writePlan(box, refused, state, row, plan) {
    const card = new Writer(box, false), about = aboutOf(state, row, plan);
    writeRefusals(new Writer(refused, false), about);
    writeWayUp(card, about);
    writeOpenings(card, about);
    writeVenting(card, about);
    writeDanger(card, about);
    writePlanning(card, about);
  }

  function aboutOf(state, row, plan) {
    const { buildings } = state.layers, { layers } = plan, { details } = layers, detail = details.rowsOf(row)[0];
    const get = (column) => (column in buildings.columns ? buildings.get(column, row) : details.get(column, detail));
    return { state, row, plan, layers, get, parts: layers.sections.rowsOf(row), familyOf: (key) => state.families[key] || state.families.unknown };
  }

  function writeCard(card, state, row, plan, drawing, work) {
    const about = aboutOf(state, row, plan);
    writeHead(card, about);
    writeRefusals(card, about);
    writeDanger(card, about);
    if (!card.flat) writeActions(card, about);
    if (drawing) {
      const rest = element("div", null, "rest");
      card.box.append(drawing, rest);
      card.box = rest;
    }
    writeWayUp(card, about);
    writeOpenings(card, about, work);
    writeVenting(card, about);
    writeRoof(card, about);
    writeFacts(card, about);
    writeRank(card, about);
    writeVisit(card, about);
    writeInspection(card, about);
    writePlanning(card, about);
    writeSolar(card, about);
    // On paper this stands under the drawing, on the first page.
    if (drawing) return;
    card.heading("Read this");
    for (const text of [state.scenario, state.ground, state.caution]) card.add("p", card.said(text));
  }

  function writeHead(card, { state, row, get }) {
    const title = titleOf(state.layers.buildings, row), head = card.add("h2", element("bdi", cut(title, TITLE)));
    head.tabIndex = -1;
    if (Array.from(title).length > TITLE) card.add("p", card.said(title, "small"));
    const more = [get("address"), get("building_id")].filter((text) => text !== null && text !== title);
    const line = more.flatMap((text, place) => [place ? ", " : "", card.said(text)]);
    if (more.length) card.add("p", line, "sub");
    if (get("alert")) card.add("p", card.said(get("alert")), "alert");
  }

  // Where no cut is drawn, in the order of how loudly it must be said.
  function refusals({ layers, parts }) {
    const said = [];
    for (const part of parts) {
      const method = layers.sections.get("cut_method", part), why = layers.sections.get("cut_method_why", part) || "", code = /^(\w+): /.exec(why);
      const one = { part, why: reason(why, method), several: parts.length > 1 ? ` section ${layers.sections.get("part", part)}` : "" };
      if (method === "do_not_cut") said.push({ ...one, loud: true, words: one.several ? `Do not cut${one.several}.` : "Do not cut this roof." });
      else if (why.includes("no deck is cut")) {
        const [, because] = /no deck is cut \(\w+: (.*)\)$/s.exec(why) || [null, why];
        said.push({ ...one, loud: true, words: `Do not cut the deck${one.several && ` of${one.several}`}.`, why: `${sentence(plain(because))} Only what is there already is opened.` });
      }
      else if (method === null && code && code[1] !== "not_planned") said.push({ ...one, loud: false, unknown: code[1] === "family_unknown", words: `No cut is planned${one.several && ` in${one.several}`}.` });
    }
    return said;
  }

  function writeRefusals(card, about) {
    const { get } = about;
    // That nobody knows the roof is said by its caution.
    for (const { loud, unknown, words: what, why } of refusals(about)) if (!unknown) card.add("p", loud ? [element("strong", what), " ", card.said(why)] : [what, " ", card.said(why)], loud ? "nocut" : "warn");
    if (get("surveyed_on") === null) card.add("p", "Nobody has surveyed this roof.", "warn");
    if (get("look_again")) card.add("p", [element("strong", "Look again: "), card.said(get("look_again")), "."], "warn");
  }

  function writeDanger(card, about) {
    const { row, layers, get, parts, familyOf } = about, refused = refusals(about);
    card.heading("Danger");
    const cautions = new Set([familyOf(get("roof_family")), ...parts.map((part) => familyOf(layers.sections.get("roof_family", part)))].map((one) => one.caution));
    // Said once, where it is said loudest.
    for (const caution of cautions) if (!refused.some(({ why }) => why === sentence(caution))) card.add("p", card.said(caution), "warn");
    const zones = layers.collapse_zones, zone = zones.rowsOf(row)[0];
    if (zone !== undefined) {
      const far = `Collapse zone ${number(zones.get("distance_ft", zone))} ft from the walls`;
      const how = `for walls of ${withBasis(`${number(zones.get("height_ft", zone))} ft`, zones.get("height_basis", zone))}`;
      if (zones.get("pushes_out", zone)) card.add("p", [`${far}. `, card.said(zones.get("why", zone) || "")], "warn");
      else card.add("p", `${far}, ${how}.`);
    }
    const counts = new Map();
    for (const one of layers.obstacles.rowsOf(row)) { const kind = layers.obstacles.get("kind", one); counts.set(kind, (counts.get(kind) || 0) + 1); }
    const there = [...counts].map(([kind, count]) => `${count} ${(ON_THE_ROOF[kind] || [words(kind), words(kind)])[count === 1 ? 0 : 1]}`);
    if (there.length) card.add("p", ["On the roof: ", card.said(`${there.join("; ")}.`)]);
    const glazed = layers.members.rowsOf(row).some((one) => layers.members.get("kind", one) === "glazing");
    if (glazed && ![...cautions].some((caution) => /glazing/i.test(caution))) card.add("p", "Glazing is a fall hazard.", "warn");
  }

  function writeActions(card, { state, get }) {
    const row = card.add("div", [], "actions"), sheet = get("sheet"), folder = state.district.head.sheets;
    if (sheet && folder && !sheet.split("/").includes("..")) {
      const link = element("a", "Sheet (PDF)", "button");
      link.href = folder + sheet.split("/").map(encodeURIComponent).join("/");
      link.target = "_blank";
      link.rel = "noopener";
      row.append(link);
    }
    for (const [id, label] of [["card-print", "Print"], ["card-link", "Copy link"]]) {
      const button = element("button", label);
      button.type = "button";
      button.id = id;
      row.append(button);
    }
  }

  function writeWayUp(card, { plan, layers, row }) {
    const { ladders, paths, checks } = layers, get = (column, spot) => ladders.get(column, spot);
    card.heading("Way up");
    card.list(ladders.rowsOf(row).map((spot) => {
      const path = paths.rowsOf(row).find((one) => paths.get("ladder_rank", one) === get("rank", spot));
      return [element("strong", `${get("rank", spot)}. ${capital(ladderWords(ladders, spot))}`), spotDanger(plan, spot), card.grid(get("usng", spot)), pathWords(paths, path), card.small(get("reasons", spot))];
    }));
    if (!ladders.rowsOf(row).length) card.add("p", "No ladder spot is planned.");
    const holes = checks.rowsOf(row).filter((one) => checks.get("kind", one) === "indicator_hole").length;
    const cuts = checks.rowsOf(row).filter((one) => checks.get("kind", one) === "inspection_cut").map((one) => `${number(checks.get("cut_ft", one))} ft`);
    const told = [cuts.length ? `inspection cut of ${cuts.join(" and ")} inside the first foothold` : null, holes ? `${holes} indicator ${holes === 1 ? "hole" : "holes"} beside the path` : null].filter(Boolean);
    if (told.length) card.add("p", `Checks: ${told.join(", ")}.`);
  }

  function ladderWords(ladders, row) {
    const get = (column) => ladders.get(column, row), setback = get("base_setback_ft"), support = get("support_ft"), highest = get("highest_ft");
    const how = { ground_ladder: `${get("ladder_ft")} ft ground ladder`, aerial: "aerial", out_of_reach: "out of reach" };
    return [`side ${get("side") ?? "not known"}`, how[get("apparatus")] || "ladder not known",
      setback === null || get("apparatus") !== "ground_ladder" ? null : `base ${setback.toFixed(1)} ft out`,
      get("aerial_setback_ft") === null ? null : `${get("aerial_setback_ft").toFixed(0)} ft from the street to the tip`,
      support === null ? `height ${get("height_basis") || "assumed"}` : `edge and parapet at ${withBasis(`${number(support)} ft`, get("height_basis"))}`,
      highest === null ? null : `${get("apparatus") === "out_of_reach" ? "the best there is reaches" : "reaches"} ${number(highest)} ft`].filter(Boolean).join(", ");
  }

  function pathWords(paths, row) {
    if (row === undefined) return null;
    const share = paths.get("share_on_bearing", row), why = paths.get("why", row) || "";
    const on = share === null ? "" : share >= 0.995 ? ", all of it on bearing lines" : `, ${Math.round(100 * share)}% of it on bearing lines`;
    return `Path of travel ${thousands(paths.get("length_ft", row) || 0)} ft${on}.${why.includes("no way") ? ` ${sentence(why)}` : ""}`;
  }

  function spotDanger(plan, row) {
    const words = { "in the collapse zone": "The base stands in the collapse zone.", "out of reach": "Nothing in the stock reaches this spot." }[spotWarning(plan, row)];
    return words ? element("span", words, "warn") : null;
  }

  function writeOpenings(card, about, drawing) {
    const { layers, row } = about, { openings, trenches } = layers, rows = openings.rowsOf(row);
    card.heading(rows.length ? "Where to open, in order" : "Where to open");
    if (drawing) card.box.append(drawing);
    if (!rows.length) {
      const why = refusals(about);
      if (!why.length) card.add("p", "No opening is drawn.");
      for (const { loud, words: what, why: because } of why) card.add("p", loud ? what : [`${what} `, card.said(because)]);
    }
    let before = null;
    card.list(rows.map((one) => {
      const why = openings.get("why", one), again = why === before;
      before = why;
      return [element("strong", `${openings.get("seq", one)}. ${capital(openingWords(openings, one))}`), isThere(openings, one) ? null : finishWords(openings, one), card.grid(openings.get("usng", one)), again ? null : card.small(why)];
    }));
    const wanted = rows.length ? openings.get("wanted_ft2", rows[0]) : null, placed = rows.length ? openings.get("placed_ft2", rows[0]) : null;
    if (wanted && placed !== null) card.add("p", `${thousands(placed)} ft² placed of ${thousands(wanted)} ft² wanted${placed + 1 < wanted ? ": short" : ""}.`);
    const cuts = trenches.rowsOf(row);
    if (!cuts.length) return;
    card.heading("Trench", 4);
    card.list(cuts.map((one) => [
      element("strong", `${capital(words(trenches.get("method", one)))}, ${size(trenches, one)}` + (trenches.get("from_fire_ft", one) === null ? "" : `, ${thousands(trenches.get("from_fire_ft", one))} ft from the fire spot`)),
      card.grid(trenches.get("usng", one)), card.small(trenches.get("why", one))]));
  }

  function area(value) {
    return value === null ? "not known" : `${thousands(value)} ft²`;
  }

  // The figures of a section: what is wanted, what is planned, what is there.
  function ventFigures(get) {
    const glazing = get("glazing_ft2"), cut = get("planned_ft2"), count = get("existing_count") || 0, unsized = get("existing_unsized") || 0;
    const planned = glazing ? `${cut ? `${area(cut)} cut and ` : ""}${area(glazing)} of glazing` : area(cut);
    const there = !count ? "none" : count === unsized ? `${count} of unknown size` : `${area(get("existing_ft2"))} in ${count}${unsized ? `, ${unsized} of unknown size` : ""}`;
    return [
      ["Area by rule", area(get("wanted_ft2"))],
      ["Area by flow", get("flow_ft2") !== null ? area(get("flow_ft2")) : (get("flow_outside") || "not worked out").split(":")[0]],
      ["Planned", get("planned") === false ? "none, the fire spot is elsewhere" : planned],
      ["There already", there],
    ];
  }

  // For which fire and clear height the area by flow is, and what the openings hold.
  function flowWords(get) {
    const told = [], outside = get("flow_outside"), least = get("least_openings");
    if (get("fire_kw") !== null) {
      const fire = `By flow: fire of ${thousands(get("fire_kw"))} kW on ${area(get("fire_area_ft2"))}, ${number(get("clear_ft"))} ft kept clear, air in through ${area(get("inlet_ft2"))}`;
      if (outside) told.push(sentence(`${fire}: ${outside}${get("inlet_least_ft2") === null ? "" : `; doors of ${area(get("inlet_least_ft2"))} or more would do`}`));
      else told.push(least === null || get("largest_single_ft2") === null ? `${fire}.` : `${fire}; ${thousands(least)} ${least === 1 ? "opening" : "openings"} or more, none over ${area(get("largest_single_ft2"))}.`);
    } else if (outside) told.push(sentence(outside));
    const beyond = get("clear_outside"), held = "What is planned and there";
    if (get("clear_planned_ft") !== null) told.push(`${held} keeps ${number(get("clear_planned_ft"))} ft clear.`);
    else if (beyond && beyond !== outside) told.push(sentence(`${held}: ${beyond}`));
    return told.join(" ");
  }

  // What the plan asks of the crew, by step and by saw, and how much of it one working spell opens.
  function workWords(get) {
    const feet = (column) => `${thousands(get(column))} ft`, some = (pairs) => pairs.filter(([, column]) => get(column)).map(([what, column]) => `${what} ${thousands(get(column))}`).join(", ");
    if (!get("saw_ft") && !get("trench_saw_ft") && !get("parts")) return null;
    const told = [some([["head", "head_cut_ft"], ["parallel", "parallel_cut_ft"], ["base", "base_cut_ft"]]), some([["saw 1", "saw_1_ft"], ["saw 2", "saw_2_ft"]])].filter(Boolean).join("; ");
    const parts = [
      get("saw_ft") ? `saw cut ${feet("saw_ft")}${told ? ` (${told})` : ""}` : null,
      get("check_saw_ft") ? `checks ${feet("check_saw_ft")}` : null,
      get("trench_saw_ft") ? `trench ${feet("trench_saw_ft")}${get("cross_cut_ft") ? ` (across ${thousands(get("cross_cut_ft"))})` : ""}` : null,
      get("parts") ? `${thousands(get("parts"))} ${get("parts") === 1 ? "panel or louver" : "panels or louvers"} to pull` : null,
      get("walk_ft") ? `${feet("walk_ft")} to walk` : null,
    ].filter(Boolean);
    const share = get("crew_share"), measured = get("rate_basis") === "measured";
    if (share === null) return `Work: ${parts.join(", ")}.`;
    const percent = share > 0 && share < 0.01 ? "under 1%" : share > 0.99 && share < 1 ? "over 99%" : `${Math.round(100 * share)}%`;
    const time = measured && get("work_minutes") !== null ? `; the planned cuts are ${thousands(Math.max(get("work_minutes"), 1))} min of work` : "";
    return `Work: ${parts.join(", ")}. One working spell opens ${percent} of the area by rule${measured ? `${time}, at your measured rate.` : "; rates from memory: measure yours."}`;
  }

  const CODE_ASKS = {
    "may ask": "By use and size the code may ask for vents here; the code official decides.",
    "not by size or use": "By use and size the code asks for no vents here, as far as is known.",
    unknown: "Whether the code asks for vents here is not known.",
  };

  function codeWords(get) {
    const asks = get("code_asks"), said = CODE_ASKS[asks] || null;
    if (asks !== "may ask" || get("prescribed_ft2") === null) return said;
    return `${said} Prescriptive area ${area(get("prescribed_ft2"))} (${get("prescribed_by")})${get("vents_short_ft2") ? `, ${area(get("vents_short_ft2"))} more than is there` : ""}.`;
  }

  // What the openings do for the smoke, and what they cost; the method's caution stands at its figures.
  function writeVenting(card, { state, layers, row, parts }) {
    const { venting } = layers, rows = venting.rowsOf(row), held = (one) => (column) => venting.get(column, one);
    if (!rows.length || !state.venting) return;
    card.heading("What the openings do");
    card.add("p", `${state.venting.caution} ${state.venting.wind}`, "warn");
    const first = rows.filter((one) => venting.get("planned", one));
    for (const one of [...first, ...rows.filter((other) => !first.includes(other))]) {
      const get = held(one);
      if (parts.length > 1) card.heading(`Section ${get("part")} of ${parts.length}`, 4);
      card.figures(ventFigures(get));
      if (get("says")) card.add("p", element("strong", sentence(get("says"))));
      for (const told of [flowWords(get), workWords(get)]) if (told) card.add("p", told);
      const count = get("windward_openings") || 0;
      if (count) card.add("p", `${count} ${count === 1 ? "opening is" : "openings are"} planned on a windward slope.`);
      const code = codeWords(get);
      if (code) card.add("p", code);
    }
  }

  function size(layer, row) {
    const length = layer.get("length_ft", row), width = layer.get("width_ft", row);
    return length === null || width === null ? "size not known" : `${number(length)} by ${number(width)} ft`;
  }

  function isThere(openings, row) {
    return ["existing_opening", "glazing"].includes(openings.get("method", row));
  }

  function openingWords(openings, row) {
    return `${words(openings.get("method", row))}, ${size(openings, row)}, ${thousands(openings.get("area_ft2", row) || 0)} ft²` + (isThere(openings, row) ? ": open first, fall hazard" : "");
  }

  function finishWords(openings, row) {
    const finish = openings.get("finish_toward_deg", row), push = openings.get("push_side", row);
    const told = [finish === null ? null : `Finish toward the ${compass(finish)} (${Math.round(finish) % 360}°)`, push === null ? null : `push down the ${push} side`].filter(Boolean);
    return told.length ? `${told.join(", ")}.` : null;
  }

  // 12 rafters, 2 ft apart (assumed)
  function memberWords(members, row) {
    const kind = members.get("kind", row), count = members.get("count", row), spacing = members.get("spacing_ft", row);
    const one = kind === "glazing" ? "line of glazing" : kind;
    const kinds = count === 1 ? one : { truss: "trusses", glazing: "lines of glazing" }[kind] || `${kind}s`;
    return withBasis([count === null ? kinds : `${thousands(count)} ${kinds}`, spacing === null ? null : `${number(spacing, 2)} ft apart`].filter(Boolean).join(", "), members.get("basis", row));
  }

  // What nobody has seen: families and their chances, likeliest first, with what stands behind them.
  function writeOdds(card, { get, familyOf }) {
    const [, listed, notes] = /^(.*?)(?: \((.*)\))?$/s.exec(get("odds") || "");
    const pairs = listed.split(", ").map((entry) => /^(.*) (\d+) %$/.exec(entry)).filter(Boolean).map(([, key, percent]) => [key, Number(percent)]);
    if (!pairs.length) return;
    const shown = pairs.slice(0, MOST_ODDS), rest = 100 - shown.reduce((sum, [, percent]) => sum + percent, 0), local = get("local_roofs") || 0;
    card.heading(`Odds of the family, not seen${get("family_basis") === "surveyed" ? " since the change" : ""}`, 4);
    card.facts([...shown.map(([key, percent]) => [familyOf(key).label, `${percent}%`]), ["Others", rest > 0 ? `${rest}%` : null]]);
    const behind = local ? `${thousands(local)} surveyed ${local === 1 ? "roof" : "roofs"} like it` : "no surveyed roof like it";
    const said = get("roof_family") === "unknown" ? "" : `the ${get("family_basis") || "assumed"} family, `;
    card.add("p", `From ${said}the building stock of the region and ${behind}${notes ? `; ${notes}` : ""}.`, "small");
  }

  function writeRoof(card, about) {
    const { layers, row, parts, familyOf } = about, { sections, members, planes } = layers;
    card.heading("Roof");
    for (const part of parts) {
      const get = (column) => sections.get(column, part), own = (layer) => layer.rowsOf(row).filter((one) => layer.get("part", one) === get("part"));
      const slope = get("slope_deg"), flat = get("area_ft2"), along = get("true_area_ft2"), axis = get("framing_axis_deg"), method = get("cut_method");
      if (parts.length > 1) card.heading(`Section ${get("part")} of ${parts.length}`, 4);
      card.facts([
        ["Family", withBasis(familyOf(get("roof_family")).label, get("family_basis"))],
        ["Form", get("roof_shape") === null ? null : withBasis(words(get("roof_shape")), get("shape_basis"))],
        ["Slope", slope === null ? null : withBasis(`${number(slope)}°`, get("slope_basis"))],
        ["Rise", get("rise_ft") ? `${number(get("rise_ft"))} ft from eave to top` : null],
        ["Planes", own(planes).length || null],
        ["Area", `${thousands(flat || 0)} ft² on the ground` + (along === null || Math.round(along) === Math.round(flat) ? "" : `, ${thousands(along)} ft² along the slope`)],
        ["Framing runs", axis === null ? "not known" : withBasis(`${axis.toFixed(0)}° from true north`, get("axis_basis"))],
        ["Members", own(members).map((one) => memberWords(members, one)).join("; ") || "none drawn"],
        ["Opening", method === null ? "no cut drawn" : words(method), get("cut_method_why") ? reason(get("cut_method_why"), method) : null],
      ]);
    }
    writeOdds(card, about);
  }

  function valueWords(field, value, familyOf) {
    const unit = (FIELDS[field] || [])[1], figure = value === "" ? NaN : Number(value);
    if (unit === "family") return familyOf(value).label;
    if (unit === "yes") return { true: "yes", false: "no" }[value] || value;
    if (unit === "occupancy") return /^[ABEFHIMRSU](-\d)?$/.test(value) ? `${value} (${OCCUPANCIES[value[0]]})` : value;
    if (unit === "side") return `${value} the longer side`;
    if (unit === "sides") return value === "all" ? "all" : Array.from(value).join(", ");
    if (unit && !Number.isNaN(figure)) return unit === "°" ? `${number(figure)}°` : `${number(figure, field.endsWith("spacing_ft") ? 2 : 1)} ${unit}`;
    return field in FIELDS ? value.replaceAll("_", " ") : value;
  }

  // Each value in force under how it is known, when and from where; then what nobody knows, in one line.
  function writeFacts(card, { layers, row, get, parts, familyOf }) {
    const { facts, sections } = layers, known = new Map();
    const put = (field, value, basis, date, source) => {
      if (value === null || value === "" || known.has(field)) return;
      known.set(field, { field, term: (FIELDS[field] || [capital(words(field))])[0], value: valueWords(field, String(value), familyOf), basis, date, source });
    };
    for (const one of facts.rowsOf(row)) put(facts.get("field", one), facts.get("value", one), facts.get("basis", one), facts.get("date", one), facts.get("source", one));
    // What the rules put in the place of a fact, or what comes without its source.
    const family = get("roof_family");
    if (family !== "unknown") put("roof_family", family, get("family_basis") || "assumed", null, null);
    put("height_ft", get("height_ft"), get("height_basis") || "assumed", null, null);
    for (const field of ["address", "occupancy", "year_built", "storeys", "inspected_on", "sprinklered"]) put(field, get(field), null, null, null);
    const groups = new Map();
    for (const one of known.values()) {
      const key = JSON.stringify([one.basis, one.date, one.source]);
      if (!groups.has(key)) groups.set(key, []);
      groups.get(key).push(one);
    }
    const order = (one) => [one.basis === null ? BASES.length : BASES.indexOf(one.basis), one.date === null ? "" : one.date], place = ({ field }) => (field in FIELDS ? Object.keys(FIELDS).indexOf(field) : 99);
    const sorted = [...groups.values()].sort(([one], [other]) => order(one)[0] - order(other)[0] || (order(one)[1] < order(other)[1] ? 1 : -1));
    card.heading("Facts");
    card.add("p", [element("strong", "Roof survey: "), get("surveyed_on") || "never"]);
    for (const group of sorted) {
      const { basis, date, source } = group[0], guessed = basis === "inferred" || basis === "assumed";
      card.add("h4", [capital(basis || "basis not known"), source === null && guessed ? " by the rules, not seen" : ` ${date || "(no date)"}`, ...(source === null ? [] : [", from ", card.said(source)])]);
      card.facts(group.sort((one, other) => place(one) - place(other)).map((one) => [one.term, one.value]));
    }
    const chance = get("p_lightweight"), guessed = !["surveyed", "recorded"].includes(get("family_basis"));
    card.heading("Worked out", 4);
    card.facts([
      ["Chance of a lightweight roof", chance === null || !guessed ? null : `${Math.round(100 * chance)}% (by the odds)`],
      ["Ground area", get("area_ft2") === null ? null : `${thousands(get("area_ft2"))} ft²`], ["Dispatch area", get("dispatch_area")]]);
    const shaped = parts.some((part) => sections.get("roof_shape", part) !== null);
    const missing = ASKED.filter((field) => !known.has(field) && !(field === "roof_shape" && shaped)).map((field) => FIELDS[field][2] || FIELDS[field][0].toLowerCase());
    if (missing.length) card.add("p", [element("strong", "Not known: "), `${missing.join(", ")}.`], "unknown");
  }

  function writeRank(card, { state, get }) {
    if (get("rank") === null) return;
    const span = get("rank_low") === null ? null : `${thousands(get("rank_low"))} to ${thousands(get("rank_high"))}`;
    card.fold(`Rank ${thousands(get("rank"))} of ${thousands(state.ranked)}${span ? `; ${span} in ${state.interval}` : ""}`, (box) => {
      box.add("p", "What counts most:");
      box.list((get("reasons") || "").split("; ").filter(Boolean).map((one) => [box.said(capital(one).replace(/\bft2\b/g, "ft²"))]), "ol", "reasons");
      box.facts([["Score", get("score"), "from 0 to 1"], ["Assumed in it", get("unknown_facts") || null]]);
    });
  }

  function writeVisit(card, { get }) {
    if (get("visit_order") === null) return;
    card.fold(`Survey next: place ${thousands(get("visit_order"))}`, (box) => box.add("p", box.said(sentence(get("visit_why") || "No visit would change the list."))));
  }

  function writeInspection(card, { state, layers, row, get }) {
    if (get("class") === null && get("next_due") === null) return;
    const { facts } = layers, late = get("overdue_days"), due = state.district.head.due[get("due_state")];
    const isSet = facts.rowsOf(row).some((one) => facts.get("field", one) === "inspect_by" && facts.get("value", one) === get("next_due"));
    const how = [isSet ? "set by the office" : null, late === null ? null : `overdue by ${thousands(late)} ${late === 1 ? "day" : "days"}`].filter(Boolean);
    card.fold(`Fire-code inspection${due ? `: ${due}` : ""}`, (box) => box.facts([
      ["Class", get("class"), CLASS_BASES[get("class_basis")] || null],
      ["Next due", get("next_due") || "not known", how.join("; ")],
      ["Last", get("inspected_on") || "no record"]]));
  }

  function writePlanning(card, { layers, parts }) {
    const { sections } = layers;
    const planned = parts.filter((part) => sections.get("fire_basis", part) !== null), rejected = parts.filter((part) => sections.get("methods_rejected", part));
    if (!planned.length && !rejected.length) return;
    card.fold("How it was planned", (box) => {
      for (const part of planned) {
        const get = (column) => sections.get(column, part), from = get("wind_from_deg");
        box.facts([["Fire spot", get("fire_basis"), parts.length > 1 ? `section ${get("part")}` : null], ["Wind", from === null ? "none" : `from the ${compass(from)} (${from.toFixed(0)}°)`, get("wind_basis")]]);
      }
      for (const part of rejected) {
        box.heading(parts.length > 1 ? `Methods rejected in section ${sections.get("part", part)}, and the rule` : "Methods rejected, and the rule", 4);
        box.list(sections.get("methods_rejected", part).split(/; (?=\w+: )/).filter(Boolean).map((one) => [box.said(sentence(plain(one)))]));
      }
    });
  }

  function writeSolar(card, { layers, row, get }) {
    if (!get("solar_checks")) return;
    const audit = layers.solar_access;
    card.fold("Solar access", (box) => {
      box.add("p", `${get("solar_met")} of ${get("solar_checks")} checks met.`);
      box.list(audit.rowsOf(row).map((one) => [element("strong", `${audit.get("finding", one) === "failed" ? "Not met" : "Cannot be told"}, array ${audit.get("array", one)}`), box.said(audit.get("message", one))]));
    });
  }

  // What a building is called, where there is little room.
  function shortTitle(buildings, row) {
    return cut(titleOf(buildings, row), TITLE);
  }

  return { capital, compass, fillCard, number, printCard, reason, sentence, shortTitle, thousands, useWords, words, writePlan };
})();
