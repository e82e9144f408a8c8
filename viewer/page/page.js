// The offline page: one space, its legend, and a card for the disc that was clicked.
"use strict";
(() => {
  const scene = JSON.parse(document.getElementById("scene").textContent);
  const card = document.getElementById("card"), legend = document.getElementById("legend");
  let space;
  try {
    space = new window.lowside.Space(document.getElementById("space"), {
      hear: { pick: ({ disc }) => show(disc) }, keepOff: () => [...legend.children, ...document.getElementById("views").children],
    });
  } catch (error) {
    const trouble = document.getElementById("trouble");
    trouble.textContent = error.message;
    trouble.hidden = false;
    return;
  }
  space.load(scene);

  function show(disc) {
    card.hidden = disc < 0;
    card.replaceChildren();
    space.choose(disc < 0 ? [] : [disc]);
    if (disc < 0) return;
    const close = document.createElement("button"), table = document.createElement("table");
    close.textContent = "×";
    close.title = "Close (Escape)";
    close.onclick = () => show(-1);
    scene.rows.columns.forEach((name, k) => {
      const value = scene.rows.values[k][disc];
      if (value === null || value === "") return;
      const row = table.insertRow(), head = document.createElement("th");
      head.textContent = name;
      row.append(head);
      row.insertCell().textContent = value;
    });
    card.append(close, table);
  }

  document.getElementById("views").addEventListener("click", (event) => { if (event.target.dataset.view) space.go(event.target.dataset.view); });
  window.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Escape") show(-1);
    else space.key(event.key);
  });
})();
