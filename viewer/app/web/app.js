// The app's own two elements: the space in 3D and the linked net. What they show comes from /scene.json, /net.json and
// /picture; what a person does goes to the server as triggers. Each tab keeps its own camera.
"use strict";
window.lowside = window.lowside || {};
(() => {
  const { lowside, Vue } = window;  // space.js may be loaded after this file: what it brings is looked up when it is used

  // What belongs to this tab alone, like its camera: the vertical scale and the slab. Panels change it by name.
  const START = { stretch: 1, on: false, thickness: 40, place: 0, azimuth: null, said: "" };
  const tab = Vue.reactive({ ...START, reach: 100 });
  let fence = null, through = -1;  // holes to step along, and the one that the slab goes through

  const normal = () => {  // square to the slab, level
    const azimuth = (Number(tab.azimuth) + 90) * Math.PI / 180;
    return [Math.sin(azimuth), Math.cos(azimuth), 0];
  };
  const across = ([east, north]) => {  // how far a place is from the origin, square to the slab
    const [a, b] = normal();
    return a * east + b * north;
  };
  const slab = () => fence && {  // the layer as it stands, on or off: normal, offset and thickness in local metres
    normal: normal(), offset: across(fence.middle) + Number(tab.place), thickness: Math.max(0.1, Number(tab.thickness)),
  };
  const sweep = (share) => {  // move the slab by a share of its thickness
    tab.on = true;
    tab.place = Math.max(-tab.reach, Math.min(tab.reach, Number(tab.place) + share * Number(tab.thickness)));
    tab.said = "";
  };
  const step = (by) => {  // put the slab through the next hole along the fence
    if (!fence?.holes.length) return;
    const order = fence.holes.map((_, i) => i).sort((a, b) => across(fence.holes[a].slice(1)) - across(fence.holes[b].slice(1)));
    const at = order.indexOf(through), next = at < 0 ? (by > 0 ? 0 : order.length - 1) : (at + by + order.length) % order.length;
    through = order[next];
    Object.assign(tab, { on: true, place: Math.round(10 * (across(fence.holes[through].slice(1)) - across(fence.middle))) / 10, said: `through ${fence.holes[through][0]}` });
  };
  const takeFence = (found) => {
    fence = found;
    tab.reach = found.reach;
    tab.azimuth ??= found.azimuth;
  };
  Object.assign(tab, JSON.parse(sessionStorage.getItem("tab") || "{}"));
  Vue.watch(tab, () => sessionStorage.setItem("tab", JSON.stringify(tab)));

  const LowSpace = {
    props: { version: Number, drawing: String, chosen: Array, aim: Object, views: Array, legend: String, title: String, subtitle: String },
    inject: ["trame"],
    template: `<main class="low-space">
      <div ref="host" class="low-host"></div>
      <section ref="legend" class="legend low-legend" aria-label="Legend"><h1>{{ title }}</h1><p class="quiet">{{ subtitle }}</p>
        <p v-if="tab.stretch !== 1" class="low-stretch">vertical × {{ tab.stretch }}</p><p v-if="tab.on" class="low-stretch">slab {{ tab.thickness }} m thick along {{ String(tab.azimuth).padStart(3, "0") }}° {{ tab.said }}</p><div v-html="legend"></div></section>
      <nav ref="bar" class="low-bar" aria-label="Views">
        <select v-if="views && views.length" aria-label="kept views" @change="showView($event.target.value); $event.target.value = ''"><option value="">views …</option><option v-for="view in views" :key="view">{{ view }}</option></select>
        <button type="button" title="Keep this view by a name" @click="keepView">keep view</button>
        <button v-for="[name, text, title] in ways" :key="name" type="button" :title="title" :data-way="name" @click="look(name)">{{ text }}</button>
      </nav>
      <p v-if="trouble" class="low-trouble" role="alert">{{ trouble }}</p>
    </main>`,
    data: () => ({
      trouble: "",
      tab,
      ways: [
        ["first", "whole scene", "Key R"], ["plan", "from above", "Key P"], ["north", "looking north", "Key N"], ["west", "looking west", "Key W"],
        ["edge_on", "edge-on", "Key E: along the common plane of what is selected"],
        ["hole", "down the hole", "Key H: along the hole of what is selected"],
        ["section", "square to section", "Key S: level and square to the hole of what is selected"],
        ["flat", "parallel", "Key O: parallel sight, for measuring by eye"], ["spin", "turn", "Key T: turn slowly round"],
      ],
    }),
    watch: {
      version() { this.fetchScene(); },
      drawing() { this.build(); },
      chosen(now) { this.space?.choose([...(now || [])]); },
      tab: { deep: true, handler() { this.space?.set(this.how()); } },
      aim(now) { if (this.space) { this.space.aim = now; this.space.mark(); } },
    },
    mounted() {
      lowside.space = this;
      window.addEventListener("keydown", this.key);
      try { this.kept = JSON.parse(sessionStorage.getItem("camera")); } catch (error) { this.kept = null; }
      this.build();
    },
    beforeUnmount() {
      window.removeEventListener("keydown", this.key);
      clearInterval(this.spinning);
      revive();
    },
    methods: {
      build() {
        const camera = this.space?.camera;
        this.$refs.host.replaceChildren();
        const make = (ask) => new lowside.Space(this.$refs.host, {
          ask, keepOff: () => [...this.$refs.legend.querySelectorAll("h1, p, h2, li, .bar"), ...this.$refs.bar.children],
          hear: {
            pick: ({ what, index, at, many }) => this.trame.trigger("pick", [what, index, at && [...at], many, this.space.scene.version]),
            moved: () => sessionStorage.setItem("camera", JSON.stringify(this.space.camera)),
            complain: (error) => { this.trouble = String(error.message || error); },
          },
        });
        try {
          this.space = make(this.drawing === "server" ? this.ask : null);
        } catch (error) {  // no WebGL here: the server draws
          this.trame.state.set("drawing", "server");
          return;
        }
        this.kept = camera || this.kept;
        this.space.how = { ...this.how(), aside: this.aside(), below: this.$refs.bar.offsetHeight + 14 };
        this.space.aim = this.aim;
        this.fetchScene();
      },
      how() { return { stretch: Number(tab.stretch) || 1, slab: tab.on ? slab() : null }; },
      aside() {  // room for the legend on the left, and for a card on the right
        const wide = this.$refs.host.clientWidth || 1000, card = document.querySelector(".low-card")?.offsetWidth || 0;
        return Math.max(-0.25, Math.min(0.25, 0.05 + (0.5 * this.$refs.legend.offsetWidth - 0.6 * card) / wide));
      },
      async fetchScene() {
        const { space } = this, answer = await fetch("scene.json", { cache: "no-store" });
        if (!answer.ok) { this.trouble = "The scene could not be fetched: " + (await answer.text()); return; }
        const scene = await answer.json();
        if (space !== this.space) return;
        takeFence(scene.fence);
        space.how = { ...space.how, ...this.how(), aside: this.aside() };
        space.load(scene);
        if (this.kept) { space.camera = this.kept; this.kept = null; space.settle(); }
        space.choose([...(this.chosen || [])]);
      },
      async ask(camera) {
        const answer = await fetch("picture", { method: "POST", body: JSON.stringify({ ...camera, version: this.space.scene.version }) });
        if (!answer.ok) throw new Error(await answer.text());
        this.trouble = "";
        return createImageBitmap(await answer.blob());
      },
      keepView() {
        const name = window.prompt("Name of this view"), { target } = this.space.camera;
        if (name) this.trame.trigger("save_view", [name, { ...this.space.camera, target: [...target], tab: { ...tab } }]);
      },
      async showView(name) {
        const kept = name && await this.trame.trigger("show_view", [name]);
        if (!kept) return;
        const { tab: own, ...camera } = kept;
        Object.assign(tab, { said: "", ...own });
        Object.assign(this.space.how, this.how());
        this.space.face(camera);
      },
      async showPlace(trigger, named) {  // what a row of a list is about: its card, and the scene turned to its place
        const place = await this.trame.trigger(trigger, named);
        await Vue.nextTick();  // the card is there by now
        this.space.how.aside = this.aside();
        this.space.lookThere(place);
      },
      async look(way) {
        const { space } = this;
        clearInterval(this.spinning);
        space.how.aside = this.aside();
        if (["first", "plan", "north", "west"].includes(way)) space.go(way);
        else if (way === "flat") { space.camera.parallel = !space.camera.parallel; space.settle(); }
        else if (way === "spin") {
          if (this.spinning) { this.spinning = null; return; }
          this.spinning = setInterval(() => space.turn(2, 0), 60);
          return;
        } else {
          const sight = await this.trame.trigger("sight", [way]);
          if (sight) space.face({ ...sight, target: [sight.target[0], sight.target[1], sight.target[2] * space.how.stretch], distance: space.camera.distance, parallel: way !== "hole" });
        }
        this.spinning = null;
      },
      key(event) {
        const tag = event.target.tagName;
        if (event.altKey || tag === "TEXTAREA" || (tag === "INPUT" && !["checkbox", "radio", "range"].includes(event.target.type))) return;
        if (event.ctrlKey || event.metaKey) {
          if (event.key === "z" && !event.shiftKey) { this.trame.trigger("undo"); event.preventDefault(); }
          if (event.key === "y" || (event.key === "Z" && event.shiftKey)) { this.trame.trigger("redo"); event.preventDefault(); }
          return;
        }
        const ways = { e: "edge_on", h: "hole", s: "section", o: "flat", t: "spin" }, panels = { 1: "possible", 2: "lines_up", 3: "next_hole", 4: "show" };
        const does = { Escape: "clear", x: "hide_selected", i: "isolate_selected", a: "show_everything", "?": "keys" };
        const moves = { ",": () => step(-1), ".": () => step(1), "[": () => sweep(-0.5), "]": () => sweep(0.5) };
        if (event.key === "a") tab.on = false;
        if (ways[event.key]) this.look(ways[event.key]);
        else if (moves[event.key]) moves[event.key]();
        else if (panels[event.key]) this.trame.state.set("panel", panels[event.key]);
        else if (does[event.key]) this.trame.trigger(does[event.key]);
        else if (tag === "INPUT" || !this.space?.key(event.key)) return;
        event.preventDefault();
      },
    },
  };

  function revive() {  // trame takes the page down when the connection breaks: open it anew as soon as the server answers
    const again = setInterval(async () => {
      if (document.querySelector(".low-space")) { clearInterval(again); return; }
      const answer = await fetch("net.json", { cache: "no-store" }).catch(() => null);
      if (answer && answer.ok) window.location.reload();
    }, 2000);
  }

  const LowNet = {
    props: { version: Number, chosen: Array },
    inject: ["trame"],
    template: `<div class="low-net"><canvas ref="net" tabindex="0" role="img" :aria-label="'Net of ' + count + ' poles, lower hemisphere, equal area'"></canvas>
      <p class="quiet">{{ count }} poles, lower hemisphere, equal area <span class="low-hint">· drag a loop to select</span></p>
      <p v-if="blind" class="low-blind"><i class="still"></i> blind in every hole (&lt; 20°) <i class="opened"></i> opened by this one<br>{{ blind }}</p></div>`,
    data: () => ({ count: 0, blind: "" }),
    watch: { version() { this.fetchNet(); }, chosen() { this.draw(); } },
    mounted() {
      new ResizeObserver(() => this.draw()).observe(this.$refs.net);
      this.fetchNet();
      this.hands();
    },
    methods: {
      async fetchNet() {
        const asked = this.asked = (this.asked || 0) + 1, answer = await fetch("net.json", { cache: "no-store" });
        const net = answer.ok && await answer.json();
        if (!net || asked !== this.asked) return;  // a later question is under way
        this.net = net;
        this.points = lowside.floats(this.net.points);
        this.colours = lowside.bytes(this.net.rgb);
        this.count = this.points.length / 2;
        this.blind = this.net.blind?.said || "";
        this.zones = this.net.blind && ["opened", "still"].map((name) => this.runs(lowside.bytes(this.net.blind[name]), this.net.blind.size));
        this.$el.dataset.version = this.net.version;
        this.draw();
      },
      place() {
        const { net } = this.$refs, em = this.em || 13, half = Math.min(net.clientWidth, net.clientHeight) / 2 - 1.2 * em;
        return { x: net.clientWidth / 2, y: net.clientHeight / 2, half, em };
      },
      runs(bits, size) {  // of a grid of bits, its runs of ones: [column, row, length]
        const found = [], on = (k) => (bits[k >> 3] >> (7 - (k & 7))) & 1;
        for (let row = 0; row < size; row++) for (let column = 0; column < size; column++) {
          if (!on(row * size + column)) continue;
          const from = column;
          while (column < size && on(row * size + column)) column++;
          found.push([from, row, column - from]);
        }
        return found;
      },
      shadeZones(pen) {  // areas of the net, under the poles: what the new hole opens is tinted, what stays blind hatched
        const { x, y, half } = this.place(), { size } = this.net.blind, cell = 2 * half / (size - 1), { look } = this.net;
        pen.save();
        pen.beginPath();
        pen.arc(x, y, half, 0, 2 * Math.PI);
        pen.clip();
        this.zones.forEach((runs, place) => {
          pen.beginPath();
          for (const [column, row, length] of runs) pen.rect(x - half + (column - 0.5) * cell, y - half + (row - 0.5) * cell, length * cell, cell * 1.05);
          pen.fillStyle = place ? hatch(pen, look.quiet) : "#D55E0055";
          pen.fill();
        });
        pen.restore();
        this.$el.dataset.shaded = this.zones.map((runs) => runs.reduce((sum, run) => sum + run[2], 0)).join(" ");
      },
      spot(i) { const { x, y, half } = this.place(); return [x + half * this.points[2 * i], y - half * this.points[2 * i + 1]]; },
      draw() {
        const { net } = this.$refs;
        if (!this.net || !net || !net.clientWidth) return;
        const scale = window.devicePixelRatio || 1, pen = net.getContext("2d"), { look } = this.net;
        this.em = parseFloat(getComputedStyle(net).fontSize);  // signs grow with the text
        net.width = net.clientWidth * scale;
        net.height = net.clientHeight * scale;
        pen.drawImage(this.poles(net, scale), 0, 0);
        pen.scale(scale, scale);
        pen.strokeStyle = look.accent;
        pen.lineWidth = 2;
        for (const i of this.chosen || []) {
          if (i >= this.count) continue;
          const [a, b] = this.spot(i);
          pen.beginPath();
          pen.arc(a, b, 0.38 * this.em, 0, 2 * Math.PI);
          pen.stroke();
        }
        if (this.loop) {
          pen.setLineDash([4, 3]);
          pen.beginPath();
          this.loop.forEach(([a, b], k) => (k ? pen.lineTo(a, b) : pen.moveTo(a, b)));
          pen.closePath();
          pen.stroke();
          pen.setLineDash([]);
        }
        this.$el.dataset.drawn = String(1 + Number(this.$el.dataset.drawn || 0));
      },
      poles(net, scale) {  // all but what is chosen, drawn once: among thousands of poles a click would wait for them
        const { kept } = this;
        if (kept && kept.of === this.net && kept.scale === scale && kept.sheet.width === net.width && kept.sheet.height === net.height) return kept.sheet;
        const sheet = document.createElement("canvas"), pen = sheet.getContext("2d");
        [sheet.width, sheet.height] = [net.width, net.height];
        pen.scale(scale, scale);
        this.drawPoles(pen);
        this.kept = { of: this.net, scale, sheet };
        return sheet;
      },
      drawPoles(pen) {
        const { x, y, half, em } = this.place(), { look } = this.net;
        pen.lineWidth = 1;
        pen.strokeStyle = look.quiet;
        pen.fillStyle = look.text;
        pen.font = `bold ${0.9 * em}px DejaVu Sans, Verdana, sans-serif`;
        pen.textAlign = "center";
        pen.textBaseline = "middle";
        pen.beginPath();
        pen.arc(x, y, half, 0, 2 * Math.PI);
        for (const [dx, dy] of [[0, -1], [1, 0], [0, 1], [-1, 0]]) { pen.moveTo(x + half * dx, y + half * dy); pen.lineTo(x + (half - 6) * dx, y + (half - 6) * dy); }
        pen.moveTo(x - 4, y); pen.lineTo(x + 4, y); pen.moveTo(x, y - 4); pen.lineTo(x, y + 4);
        pen.stroke();
        pen.fillText("N", x, y - half - 0.62 * em);
        if (this.zones) this.shadeZones(pen);
        pen.lineWidth = 1.5;
        for (const curve of this.net.curves || []) {
          pen.strokeStyle = curve.colour;
          pen.beginPath();
          curve.points.forEach(([a, b], k) => (k && Math.hypot(a - curve.points[k - 1][0], b - curve.points[k - 1][1]) < 0.5 ? pen.lineTo(x + half * a, y - half * b) : pen.moveTo(x + half * a, y - half * b)));
          pen.stroke();
        }
        const dot = 0.18 * em * Math.max(0.3, Math.min(1, Math.sqrt(2000 / this.count)));  // smaller where they are many
        pen.strokeStyle = look.quiet;
        pen.lineWidth = 0.6;
        for (let i = 0; i < this.count; i++) {
          const [a, b] = this.spot(i);
          pen.fillStyle = `rgb(${this.colours[3 * i]},${this.colours[3 * i + 1]},${this.colours[3 * i + 2]})`;
          pen.beginPath();
          pen.arc(a, b, dot, 0, 2 * Math.PI);
          pen.fill();
          if (dot > 2) pen.stroke();  // an edge, for pale colours on a pale ground
        }
      },
      hands() {
        const { net } = this.$refs, at = (event) => { const box = net.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
        net.addEventListener("pointerdown", (event) => { net.setPointerCapture(event.pointerId); this.loop = [at(event)]; });
        net.addEventListener("pointermove", (event) => { if (this.loop) { this.loop.push(at(event)); this.draw(); } });
        net.addEventListener("pointerup", (event) => {
          const loop = this.loop, many = event.ctrlKey || event.metaKey;
          this.loop = null;
          if (!loop || !this.net) return;
          const wide = Math.max(...loop.map((p) => p[0])) - Math.min(...loop.map((p) => p[0]));
          const found = [];
          if (loop.length < 4 || wide < 5) {
            let best = -1, nearest = 9;
            for (let i = 0; i < this.count; i++) { const [a, b] = this.spot(i), d = Math.hypot(a - loop[0][0], b - loop[0][1]); if (d < nearest) { nearest = d; best = i; } }
            if (best >= 0) { this.trame.trigger("pick", ["disc", best, null, many, this.net.version]); this.draw(); return; }
          } else for (let i = 0; i < this.count; i++) if (inside(this.spot(i), loop)) found.push(i);
          this.trame.trigger("lasso", [found, many, this.net.version]);
          this.draw();
        });
      },
    },
  };

  function hatch(pen, colour) {  // lines up to the right
    const tile = document.createElement("canvas"), side = tile.width = tile.height = 6, draw = tile.getContext("2d");
    draw.strokeStyle = colour;
    draw.beginPath();
    for (const off of [-side, 0, side]) { draw.moveTo(off, side); draw.lineTo(off + side, 0); }
    draw.stroke();
    return pen.createPattern(tile, "repeat");
  }

  function inside([x, y], loop) {  // even-odd rule
    let odd = false;
    for (let i = 0, j = loop.length - 1; i < loop.length; j = i++) {
      const [a, b] = loop[i], [c, d] = loop[j];
      if ((b > y) !== (d > y) && x < (c - a) * (y - b) / (d - b) + a) odd = !odd;
    }
    return odd;
  }

  const seen = () => {  // what this tab sees, for pictures to take away
    const host = document.querySelector(".low-host");
    return JSON.parse(JSON.stringify({ ...host.space.seen(), size: [host.clientWidth, host.clientHeight] }));
  };

  lowside.install = (app) => {
    document.querySelector("meta[name=viewport]").content = "width=device-width, initial-scale=1";  // trame's forbids to zoom
    const show_place = (...asked) => lowside.space?.showPlace(...asked), show_view = (name) => lowside.space?.showView(name);
    Object.assign(app.config.globalProperties, { tab, step_slab: step, seen, show_place, show_view });
    app.component("low-space", LowSpace);
    app.component("low-net", LowNet);
  };
})();
