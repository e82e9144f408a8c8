// The offline page: one space, its legend, and a card for the disc that was clicked.
"use strict";
(() => {
  const scene = JSON.parse(document.getElementById("scene").textContent);
  const card = document.getElementById("card"), legend = document.getElementById("legend");
  let space;
  try {
    space = new window.lowside.Space(document.getElementById("space"), {
      hear: { pick: ({ what, index }) => show(what, index) }, keepOff: () => [...legend.children, ...document.getElementById("views").children],
    });
  } catch (error) {
    const trouble = document.getElementById("trouble");
    trouble.textContent = error.message;
    trouble.hidden = false;
    return;
  }
  const slab = scene.start?.slab || null, without = document.getElementById("slab");
  if (scene.start) Object.assign(space.how, { stretch: scene.start.stretch, slab });
  space.load(scene);
  if (scene.start) space.face(scene.start.camera);
  without.hidden = !slab;
  without.onclick = () => {
    const on = Boolean(space.how.slab);
    space.set({ slab: on ? null : slab });
    without.textContent = on ? "only the slab" : "without the slab";
  };

  function show(what, index) {
    const told = what === "disc" ? rowOf(index) : what === "fault" ? [["fault", scene.sheets.filter((mesh) => mesh.what === "fault")[index].name]] : [];
    card.hidden = !told.length;
    card.replaceChildren();
    space.choose(what === "disc" ? [index] : []);
    if (card.hidden) return;
    const close = document.createElement("button"), table = document.createElement("table");
    close.textContent = "×";
    close.title = "Close (Escape)";
    close.onclick = () => show("nothing", -1);
    for (const [name, value] of told) {
      const row = table.insertRow(), head = document.createElement("th");
      head.textContent = name;
      row.append(head);
      row.insertCell().textContent = value;
    }
    card.append(close, table);
  }

  function rowOf(disc) {  // names and values of the columns that say something
    return scene.rows.columns.map((name, k) => [name, scene.rows.values[k][disc]]).filter(([, value]) => value !== null && value !== "");
  }

  document.getElementById("views").addEventListener("click", (event) => { if (event.target.dataset.view) space.go(event.target.dataset.view); });
  window.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Escape") show("nothing", -1);
    else space.key(event.key);
  });
})();
