// The app's own two elements: the space in 3D and the linked net. What they show comes from /scene.json, /net.json and
// /picture; what a person does goes to the server as triggers. Each tab keeps its own camera.
"use strict";
window.lowside = window.lowside || {};
(() => {
  const { lowside, Vue } = window;  // space.js may be loaded after this file: what it brings is looked up when it is used

  // What belongs to this tab alone, like its camera: panel, picture, card, vertical scale and slab. Panels change it by name.
  const PANELS = ["possible", "lines_up", "next_hole", "show"];
  const START = { stretch: 1, on: false, thickness: 40, place: 0, azimuth: null, said: "", panel: "possible", picture: "", fault: "", card: "", about: null, playing: -1, keys: false, folded: false, side: null, lacks_read: false };
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
  try { Object.assign(tab, JSON.parse(sessionStorage.getItem("tab") || "{}")); } catch (error) { sessionStorage.removeItem("tab"); }
  Vue.watch(tab, () => sessionStorage.setItem("tab", JSON.stringify(tab)));

  // Back and forward of the browser go between panels, and a panel has an address of its own.
  const asked = () => PANELS.find((name) => window.location.hash === `#${name}`);
  tab.panel = asked() || tab.panel;
  window.history.replaceState(null, "", `#${tab.panel}`);
  Vue.watch(() => tab.panel, (panel) => {
    tab.fault = panel === "lines_up" ? tab.fault : "";
    if (window.location.hash !== `#${panel}`) window.history.pushState(null, "", `#${panel}`);
  });
  window.addEventListener("popstate", () => { tab.panel = asked() || tab.panel; });

  // What a person asks of the server: the answer may hold a card for this tab, and a place to look at.
  async function ask(name, args = [], look = false) {
    const told = await lowside.space.trame.trigger(name, args);
    if (told && "card" in told) { tab.card = told.card; tab.about = told.about || null; }
    if (told?.place) {
      await Vue.nextTick();  // the card is there by now
      if (look) lowside.space.lookAt(told.place, told.span);
    }
    return told;
  }
  lowside.ask = ask;
  const close = () => { tab.card = ""; tab.about = null; };
  const copy = async (text) => {
    try { await navigator.clipboard.writeText(text); } catch (error) {  // not allowed here: the old way
      const box = document.createElement("textarea");
      box.value = text;
      document.body.append(box);
      box.select();
      document.execCommand("copy");
      box.remove();
    }
    lowside.space.trame.state.set("message", "Copied.");
  };
  const grip = (event) => {  // the border between scene and panel follows the hand
    const { target } = event, move = (e) => { tab.side = Math.round(Math.max(280, Math.min(0.7 * window.innerWidth, window.innerWidth - e.clientX))); };
    target.setPointerCapture(event.pointerId);
    target.addEventListener("pointermove", move);
    target.addEventListener("pointerup", () => target.removeEventListener("pointermove", move), { once: true });
  };

  const PICTURES = [["", "picture of the question"], ["possible", "suspects"], ["lines_up", "faults"], ["next_hole", "next hole"], ["show", "everything"]];

  const LowSpace = {
    props: {
      version: Number, drawing: String, chosen: Array, aim: Object, views: Array, story: Array, project: String, verdict: Array, basis: String, marks: String,
      message: String, busy: String, undo_said: String, redo_said: String, edge_on: Array,
    },
    inject: ["trame"],
    template: `<main class="low-space">
      <header ref="head" class="low-head">
        <h1>{{ project }}</h1>
        <p class="low-verdict" aria-live="polite"><template v-for="(one, k) in verdict" :key="k"><span v-if="k" aria-hidden="true"> · </span><button type="button" :class="{ on: tab.panel === one.panel }" @click="tab.panel = one.panel">{{ one.said }}</button></template><span v-if="!verdict.length" class="quiet">{{ busy ? busy + " …" : "" }}</span></p>
        <p class="low-basis quiet">{{ basis }}<template v-if="marks">. {{ marks }}</template></p>
        <p class="low-steps">
          <button v-if="undo_said" type="button" class="low-button" title="Ctrl Z" @click="trame.trigger('undo')">undo: {{ undo_said }}</button>
          <button v-if="redo_said" type="button" class="low-button" title="Ctrl Y" @click="trame.trigger('redo')">redo: {{ redo_said }}</button>
          <button type="button" class="low-button" :title="tab.folded ? 'Show the panel' : 'Fold the panel away'" :aria-expanded="!tab.folded" @click="tab.folded = !tab.folded">{{ tab.folded ? "◂ panel" : "panel ▸" }}</button>
        </p>
      </header>
      <div class="low-stage">
        <div ref="host" class="low-host"></div>
        <section ref="legend" class="legend low-legend" aria-label="Legend"><p class="quiet">{{ subtitle }}</p>
          <p v-if="tab.fault" class="low-stretch">{{ tab.fault }} alone, edge-on</p><p v-if="tab.stretch !== 1" class="low-stretch">vertical × {{ tab.stretch }}</p><p v-if="tab.on" class="low-stretch">slab {{ tab.thickness }} m thick along {{ String(tab.azimuth).padStart(3, "0") }}° {{ tab.said }}</p><div v-html="legend"></div></section>
        <section v-if="tab.card" ref="card" class="low-card" :class="corner" role="region" aria-label="What was picked">
          <button type="button" class="low-button low-close" title="Close" @click="close">×</button><div v-html="tab.card"></div></section>
        <p v-if="trouble" class="low-trouble" role="alert">{{ trouble }}</p>
        <footer ref="foot" class="low-foot">
          <p v-if="message" class="low-message" role="status" @click="trame.state.set('message', '')">{{ message }}</p>
          <section v-if="told" class="low-story" aria-label="Story" aria-live="polite"><h2>{{ told.name }}</h2><p>{{ told.said }}</p>
            <p class="low-row"><button type="button" class="low-button" title="Key ←" aria-label="previous view" :disabled="tab.playing === 0" @click="play(tab.playing - 1)">◂</button><span class="quiet">{{ tab.playing + 1 }} of {{ story.length }}</span><button type="button" class="low-button" title="Key →" aria-label="next view" :disabled="tab.playing === story.length - 1" @click="play(tab.playing + 1)">▸</button><button type="button" class="low-button" @click="fullScreen">full screen</button><button type="button" class="low-button" title="Escape" @click="play(-1)">end</button></p></section>
          <low-edge-on v-if="fault && !told" :fault="fault" :names="edge_on.map((one) => one.id)" @see="see" @leave="leave"></low-edge-on>
          <nav v-show="!told" class="low-bar" aria-label="Views">
            <select v-model="tab.picture" aria-label="picture" @change="tab.fault = ''"><option v-for="[name, text] in pictures" :key="name" :value="name">{{ text }}</option></select>
            <select v-if="views && views.length" aria-label="kept views" @change="showView($event.target.value); $event.target.value = ''"><option value="">views …</option><option v-for="view in views" :key="view">{{ view }}</option></select>
            <button v-if="story && story.length > 1" type="button" title="The kept views in their order, one after the other" @click="play(0)">play the story</button><button type="button" title="Keep this view by a name" @click="keepView">keep view</button>
            <button v-for="[name, text, title] in ways" :key="name" type="button" :title="title" :data-way="name" @click="look(name)">{{ text }}</button>
          </nav>
        </footer>
      </div>
    </main>`,
    data: () => ({
      trouble: "", tab, legend: "", subtitle: "", corner: "", pictures: PICTURES,
      ways: [
        ["first", "whole scene", "Key R"], ["plan", "from above", "Key P"], ["north", "looking north", "Key N"], ["west", "looking west", "Key W"],
        ["edge_on", "edge-on", "Key E: along the common plane of what is selected"],
        ["hole", "down the hole", "Key H: along the hole of what is selected"],
        ["section", "square to section", "Key S: level and square to the hole of what is selected"],
        ["flat", "parallel", "Key O: parallel sight, for measuring by eye"], ["spin", "turn", "Key T: turn slowly round"],
      ],
    }),
    computed: {
      picture() { return tab.picture || tab.panel; },
      fault() { return this.picture === "lines_up" && (this.edge_on || []).find((one) => one.id === tab.fault); },
      told() { return (this.story || [])[tab.playing]; },
      dress() { return this.fault ? `fault:${tab.fault}` : this.picture; },
    },
    watch: {
      version() { this.fetchScene(); },
      drawing() { this.build(); },
      dress() { this.wear(); },
      chosen(now) { this.space?.choose([...(now || [])]); },
      message(said) { clearTimeout(this.saying); if (said) this.saying = setTimeout(() => this.trame.state.set("message", ""), 4000 + 60 * said.length); },
      tab: { deep: true, handler() { this.space?.set(this.how()); } },
      aim(now) { if (this.space) { this.space.aim = now; this.space.mark(); } },
    },
    mounted() {
      lowside.space = this;
      window.addEventListener("keydown", this.key);
      try { this.kept = JSON.parse(sessionStorage.getItem("camera")); } catch (error) { this.kept = null; }
      new ResizeObserver(() => this.footed()).observe(this.$refs.foot);
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
        const make = (draw) => new lowside.Space(this.$refs.host, {
          ask: draw, keepOff: () => [this.$refs.legend, ...this.$refs.foot.children, ...(this.$refs.card ? [this.$refs.card] : [])],
          hear: {
            pick: ({ what, index, at, many, x, y }) => { this.spot = [x, y]; ask("pick", [what, index, at && [...at], many, this.scene.version]); },
            moved: () => { sessionStorage.setItem("camera", JSON.stringify(this.space.camera)); this.placeCard(); },
            complain: (error) => { this.trouble = String(error.message || error); },
          },
        });
        try {
          this.space = make(this.drawing === "server" ? this.draw : null);
        } catch (error) {  // no WebGL here: the server draws
          this.trame.state.set("drawing", "server");
          return;
        }
        this.kept = camera || this.kept;
        this.space.how = { ...this.how(), aside: this.aside(), below: this.below() };
        this.space.aim = this.aim;
        this.fetchScene();
      },
      how() { return { stretch: Number(tab.stretch) || 1, slab: tab.on ? slab() : null }; },
      below() { return (this.$refs.foot?.offsetHeight ?? 0) + 6; },
      aside() {  // room for the legend on the left
        const wide = this.$refs.host.clientWidth || 1000;
        return wide < 640 ? 0 : Math.max(-0.25, Math.min(0.25, 0.4 * this.$refs.legend.offsetWidth / wide));
      },
      async fetchScene() {
        const { space } = this, wanted = this.asked = (this.asked || 0) + 1;
        space.late();
        const answer = await fetch("scene.json", { cache: "no-store" });
        if (!answer.ok) { this.trouble = "The scene could not be fetched: " + (await answer.text()); return; }
        const scene = await answer.json();
        if (space !== this.space || wanted !== this.asked) return;  // a later one is under way
        this.scene = scene;
        takeFence(scene.fence);
        this.wear();
        if (tab.about) ask("card", [...tab.about]);  // what it says belongs to this version too
      },
      wear() {  // the scene as the present question draws it, with its legend
        const { space, scene } = this;
        if (!scene) return;
        const picture = scene.pictures[this.fault ? "lines_up" : this.picture] || scene.pictures.show;
        this.legend = picture.legend;
        this.subtitle = scene.subtitle;
        Vue.nextTick(() => {
          space.how = { ...space.how, ...this.how(), aside: this.aside(), below: this.below() };
          space.load({ ...lowside.dressed(scene, picture, this.fault ? tab.fault : ""), dress: this.dress });
          if (this.kept) { space.camera = this.kept; this.kept = null; space.settle(); }
          space.choose([...(this.chosen || [])]);
          if (this.fault && this.facing !== this.dress) this.faceFault();
          this.facing = this.fault ? this.dress : "";
        });
      },
      async draw(camera) {
        const { dress, version } = this.space.scene;
        const answer = await fetch("picture", { method: "POST", body: JSON.stringify({ ...camera, picture: dress, version }) });
        if (!answer.ok) throw new Error(await answer.text());
        this.trouble = "";
        const picture = await answer.blob();
        return picture.size ? createImageBitmap(picture) : null;  // a newer scene is on its way, and its picture with it
      },
      footed() {  // what stands at the bottom has grown or shrunk: the scene keeps above it
        const { space } = this, below = this.below();
        if (!space?.scene || space.how.below === below) return;
        space.how.below = below;
        if (this.fault) this.faceFault(); else space.settle();
      },
      see(id) {  // a fault edge-on, alone
        if (!(this.edge_on || []).length) { this.trame.state.set("message", "Nothing is lined up yet (Lines up?)."); return; }
        tab.panel = "lines_up";
        tab.picture = "";
        tab.fault = id;
        ask("pick_fault", [id]).then(close);
      },
      leave() { tab.fault = ""; this.look("first"); },
      nextFault(by) {
        const names = (this.edge_on || []).map((one) => one.id), at = names.indexOf(tab.fault);
        this.see(names[at < 0 ? (by > 0 ? 0 : names.length - 1) : (at + by + names.length) % names.length]);
      },
      faceFault() {  // along the strike nearest to north, so that the fault is a line and all its picks are in sight
        const { space } = this, own = this.scene.members[tab.fault] || [], { centre } = space.scene.disc;
        if (!own.length) return;
        const points = own.map((i) => [...centre.subarray(3 * i, 3 * i + 3)]), strike = (this.fault.strike + 90) % 180 - 90;
        const middle = [0, 1, 2].map((k) => (Math.min(...points.map((p) => p[k])) + Math.max(...points.map((p) => p[k]))) / 2);
        space.face({ azimuth: strike, dip: 0, parallel: true, target: [middle[0], middle[1], middle[2] * space.how.stretch], distance: 0, points });
      },
      lookAt(place, span = 0) { this.space.how.aside = this.aside(); this.space.lookThere(place, span); Vue.nextTick(() => this.placeCard(true)); },
      placeCard(there = false) {  // on the side where it doesn't cover what it is about
        const { card, host } = this.$refs, { space } = this;
        if (!card || !space.scene) return;
        const x = there ? host.clientWidth / 2 : this.spot?.[0] ?? 0;
        this.corner = host.clientWidth > 640 && x > host.clientWidth - card.offsetWidth - 40 ? "left" : "";
      },
      keepView() {
        const name = window.prompt("Name of this view"), { target } = this.space.camera;
        if (name) this.trame.trigger("save_view", [name, { ...this.space.camera, target: [...target], slab: this.space.how.slab, tab: { ...tab, about: null, card: "" } }]);
      },
      async play(place) {  // a view of the story, or its end; the panel is folded away meanwhile
        const { story } = this, ends = place < 0 || place >= story.length;
        if (tab.playing < 0 && !ends) { this.unfolded = !tab.folded; tab.folded = true; }
        tab.playing = ends ? -1 : place;
        if (!ends) { close(); await this.showView(story[place].name); return; }
        if (this.unfolded) tab.folded = false;
        if (document.fullscreenElement) document.exitFullscreen();
      },
      fullScreen() { if (document.fullscreenElement) document.exitFullscreen(); else document.documentElement.requestFullscreen?.(); },
      async showView(name) {
        const kept = name && await this.trame.trigger("show_view", [name]);
        if (!kept) return;
        const { tab: own, slab: _, ...camera } = kept;
        Object.assign(tab, { said: "", ...own, panel: own.panel || tab.panel, fault: own.fault || "", picture: own.picture || "" });
        if (own.fault) this.facing = `fault:${own.fault}`;  // seen as it was kept, not as it is turned to first
        Object.assign(this.space.how, this.how());
        await Vue.nextTick();
        this.space.glide(camera);
      },
      async look(way) {
        const { space } = this;
        clearInterval(this.spinning);
        if (!space.scene) return;
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
        const tag = event.target.tagName, typing = tag === "TEXTAREA" || (tag === "INPUT" && !["checkbox", "radio", "range"].includes(event.target.type));
        if (event.altKey) return;
        if (typing) {  // a box keeps its keys; Escape leaves it, and in a number box 1 to 4 are digits
          if (event.key === "Escape") { event.target.blur(); event.preventDefault(); }
          return;
        }
        if (event.ctrlKey || event.metaKey) {
          if (event.key === "z" && !event.shiftKey) { this.trame.trigger("undo"); event.preventDefault(); }
          if (event.key === "y" || (event.key === "Z" && event.shiftKey)) { this.trame.trigger("redo"); event.preventDefault(); }
          return;
        }
        const ways = { e: "edge_on", h: "hole", s: "section", o: "flat", t: "spin" }, does = { x: "hide_selected", i: "isolate_selected", a: "show_everything" };
        const moves = { ",": () => step(-1), ".": () => step(1), "[": () => sweep(-0.5), "]": () => sweep(0.5), f: () => this.nextFault(1), g: () => this.nextFault(-1), "?": () => { tab.keys = !tab.keys; } };
        const turns = { ArrowRight: 1, PageDown: 1, " ": 1, ArrowLeft: -1, PageUp: -1 }[event.key];
        if (this.told && turns) { if (this.story[tab.playing + turns]) this.play(tab.playing + turns); event.preventDefault(); return; }
        if (event.key === "a") tab.on = false;
        if (event.key === "Escape") this.escape();
        else if (ways[event.key]) this.look(ways[event.key]);
        else if (moves[event.key]) moves[event.key]();
        else if (PANELS[Number(event.key) - 1]) tab.panel = PANELS[Number(event.key) - 1];
        else if (does[event.key]) this.trame.trigger(does[event.key]);
        else if (tag === "INPUT" || tag === "SELECT" || !this.space?.scene || !this.space.key(event.key)) return;
        event.preventDefault();
      },
      escape() {
        if (tab.keys) { tab.keys = false; return; }
        if (this.told) { this.play(-1); return; }
        if (tab.fault) this.leave();
        close();
        this.trame.trigger("clear");
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
      <p class="quiet">{{ count }} poles, lower hemisphere, equal area <span class="low-hint">· drag a loop</span></p>
      <p v-if="blind && planning" class="low-blind"><i class="still"></i> blind in every hole (&lt; 20°) <i class="opened"></i> opened by this one<br>{{ blind }}</p></div>`,
    data: () => ({ count: 0, blind: "", tab }),
    computed: { picture() { return tab.picture || tab.panel; }, planning() { return ["next_hole", "show"].includes(this.picture); } },
    watch: { version() { this.fetchNet(); }, chosen() { this.draw(); }, picture() { this.colour(); this.draw(); } },
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
        this.colour();
        this.count = this.points.length / 2;
        this.blind = this.net.blind?.said || "";
        this.zones = this.net.blind && ["opened", "still"].map((name) => this.runs(lowside.bytes(this.net.blind[name]), this.net.blind.size));
        this.$el.dataset.version = this.net.version;
        this.draw();
      },
      colour() {  // as the present question colours the discs
        if (!this.net) return;
        this.colours = lowside.bytes(this.net.rgb[this.picture] || this.net.rgb.show);
        this.kept = null;
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
        if (this.zones && this.planning) this.shadeZones(pen);
        pen.lineWidth = 1.5;
        for (const curve of this.net.curves || []) {
          if (curve.of === "aim" && !this.planning) continue;
          pen.strokeStyle = curve.colour;
          pen.beginPath();
          curve.points.forEach(([a, b], k) => (k && Math.hypot(a - curve.points[k - 1][0], b - curve.points[k - 1][1]) < 0.5 ? pen.lineTo(x + half * a, y - half * b) : pen.moveTo(x + half * a, y - half * b)));
          pen.stroke();
        }
        const dot = 0.18 * em * Math.max(0.3, Math.min(1, Math.sqrt(2000 / this.count)));  // smaller where they are many
        pen.strokeStyle = look.quiet;
        pen.lineWidth = 0.6;
        const quiet = parseInt(look.quiet_disc.slice(1), 16), colour = (i) => (this.colours[3 * i] << 16) | (this.colours[3 * i + 1] << 8) | this.colours[3 * i + 2];
        for (const context of [true, false]) for (let i = 0; i < this.count; i++) {  // context lies under what the question is about
          if ((colour(i) === quiet) !== context) continue;
          const [a, b] = this.spot(i);
          pen.fillStyle = `rgb(${this.colours[3 * i]},${this.colours[3 * i + 1]},${this.colours[3 * i + 2]})`;
          pen.beginPath();
          pen.arc(a, b, context ? 0.7 * dot : dot, 0, 2 * Math.PI);
          pen.fill();
          if (dot > 2 && !context) pen.stroke();  // an edge, for pale colours on a pale ground
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
            if (best >= 0) { ask("pick", ["disc", best, null, many, this.net.version]); this.draw(); return; }
          } else for (let i = 0; i < this.count; i++) if (inside(this.spot(i), loop)) found.push(i);
          ask("lasso", [found, many, this.net.version]);
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
    return JSON.parse(JSON.stringify({ ...host.space.seen(), size: [host.clientWidth, host.clientHeight], picture: lowside.space.dress }));
  };

  lowside.install = (app) => {
    document.querySelector("meta[name=viewport]").content = "width=device-width, initial-scale=1";  // trame's forbids to zoom
    const show_view = (name) => lowside.space?.showView(name), see_fault = (id) => lowside.space?.see(id);
    Object.assign(app.config.globalProperties, { tab, step_slab: step, seen, ask, copy, grip, close, show_view, see_fault });
    app.component("low-space", LowSpace);
    app.component("low-edge-on", lowside.EdgeOn);
    app.component("low-net", LowNet);
  };
})();
