// The offline page: one space, its legend, and a card for the disc that was clicked.
"use strict";
(() => {
  const given = JSON.parse(document.getElementById("scene").textContent), { story } = given;
  let scene = story ? given.scenes[story[0].scene] : given, at = 0;
  const card = document.getElementById("card"), legend = document.getElementById("legend"), told = document.getElementById("story");
  let space;
  try {
    space = new window.lowside.Space(document.getElementById("space"), {
      hear: { pick: ({ what, index }) => show(what, index) }, keepOff: () => [...legend.querySelectorAll("h1, p, #entries > *"), ...document.getElementById("views").children, ...(story ? [told] : [])],
    });
  } catch (error) {
    const trouble = document.getElementById("trouble");
    trouble.textContent = error.message;
    trouble.hidden = false;
    return;
  }
  if (story) { begin(); return; }
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

  function begin() {  // the views of the story, one after the other
    told.hidden = false;
    told.addEventListener("click", (event) => { if (event.target.dataset.step) tell(at + Number(event.target.dataset.step)); });
    document.getElementById("full").onclick = () => { if (document.fullscreenElement) document.exitFullscreen(); else document.documentElement.requestFullscreen?.(); };
    tell(0);
    hear({ ArrowRight: 1, PageDown: 1, " ": 1, ArrowLeft: -1, PageUp: -1 });
  }

  function tell(place) {
    if (!story[place]) return;
    const { title, said, notes, picture, fault, camera, stretch, slab } = story[place];
    [at, scene] = [place, given.scenes[story[place].scene]];
    show("nothing", -1);
    Object.assign(space.how, { stretch, slab, below: told.offsetHeight + 50 });
    space.load(window.lowside.dressed(scene, picture, fault));
    space.glide(camera);
    document.getElementById("entries").innerHTML = picture.legend;
    document.getElementById("said").replaceChildren(...notes.map((text) => Object.assign(document.createElement("p"), { className: "said", textContent: text })));
    told.querySelector("h2").textContent = title;
    told.querySelector("p").textContent = said;
    told.querySelector("span").textContent = `${at + 1} of ${story.length}`;
    for (const button of told.querySelectorAll("[data-step]")) button.disabled = !story[at + Number(button.dataset.step)];
  }

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

  hear({});

  function hear(turns) {
    document.getElementById("views").addEventListener("click", (event) => { if (event.target.dataset.view) space.go(event.target.dataset.view); });
    window.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (event.key === "Escape") show("nothing", -1);
      else if (turns[event.key]) { tell(at + turns[event.key]); event.preventDefault(); }
      else space.key(event.key);
    });
  }
})();
