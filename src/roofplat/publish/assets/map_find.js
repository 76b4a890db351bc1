// Finding buildings on the map page.
// In: the state of map_page.js and what a person types.
// Out: the contents of #results.
"use strict";
var roofplatFind = (function () {
  const { element } = roofplatData;

  function search(state, typed) {
    const wanted = typed.trim().toLowerCase(), { buildings } = state.layers;
    const panel = document.getElementById("results"), list = document.getElementById("results-list");
    list.replaceChildren();
    panel.hidden = !wanted;
    if (!wanted) return;
    let count = 0;
    for (let row = 0; row < buildings.size; row++) {
      const texts = ["name", "address", "building_id"].map((column) => buildings.get(column, row)).filter(Boolean);
      if (!texts.some((text) => text.toLowerCase().includes(wanted))) continue;
      if (++count > 20) continue;
      const button = element("button", texts.join(", "));
      button.type = "button";
      button.addEventListener("click", () => { panel.hidden = true; state.select(row, { move: true }); });
      const item = element("li");
      item.append(button);
      list.append(item);
    }
    document.getElementById("results-count").textContent = count > 20 ? `${count} found, the first 20 shown` : `${count} found`;
  }

  return { search };
})();
