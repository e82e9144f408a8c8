// A scene in space: holes and discs drawn with WebGL 2 (or by a server), texts as HTML; picking.js says what a pixel shows.
// Coordinates are local metres (east, north, up). Asks for nothing outside. Used by the offline page and by the app.
"use strict";
window.lowside = window.lowside || {};
(() => {
  const { lowside } = window;

  // ---- numbers --------------------------------------------------------------------------------------------------
  const bytes = (text) => {
    const letters = atob(text), found = new Uint8Array(letters.length);
    for (let i = 0; i < found.length; i++) found[i] = letters.charCodeAt(i);
    return found;
  };
  const floats = (text) => new Float32Array(bytes(text).buffer);
  const add = (a, b, s = 1) => [a[0] + s * b[0], a[1] + s * b[1], a[2] + s * b[2]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => { const l = Math.hypot(...a) || 1; return [a[0] / l, a[1] / l, a[2] / l]; };
  const square = (a) => unit(cross(Math.abs(a[2]) > 0.99 ? [0, 1, 0] : [0, 0, 1], a));  // some direction square to a
  const third = (values, i) => values.subarray(3 * i, 3 * i + 3);

  // ---- geometry: arrays of position, normal and colour, three numbers each; made at once, for there may be millions
  const pile = (count) => ({ position: new Float32Array(3 * count), normal: new Float32Array(3 * count), colour: new Uint8Array(3 * count), filled: 0 });
  const corner = (to, p, n, c) => {
    const { position, normal, colour, filled: k } = to;
    position[k] = p[0]; position[k + 1] = p[1]; position[k + 2] = p[2];
    normal[k] = n[0]; normal[k + 1] = n[1]; normal[k + 2] = n[2];
    colour[k] = c[0]; colour[k + 1] = c[1]; colour[k + 2] = c[2];
    to.filled = k + 3;
  };

  function rim(centre, normal, radius, sides) {
    const u = square(normal), v = cross(normal, u), points = [];
    for (let k = 0; k <= sides; k++) {
      const angle = 2 * Math.PI * k / sides;
      points.push(add(add(centre, u, radius * Math.cos(angle)), v, radius * Math.sin(angle)));
    }
    return points;
  }

  function discs({ centre, normal, radius, rgb }, sides) {
    const to = pile(3 * sides * radius.length);
    for (let i = 0; i < radius.length; i++) {
      const c = third(centre, i), n = third(normal, i), colour = third(rgb, i), edge = rim(c, n, radius[i], sides);
      for (let k = 0; k < sides; k++) {
        corner(to, c, n, colour); corner(to, edge[k], n, colour); corner(to, edge[k + 1], n, colour);
      }
    }
    return to;
  }

  function tubes(ends, rgb, radius, sides) {
    const count = Math.floor(ends.length / 6), to = pile(6 * sides * count);
    for (let i = 0; i < count; i++) {
      const a = third(ends, 2 * i), b = third(ends, 2 * i + 1), along = unit(add(b, a, -1));
      const out = rim([0, 0, 0], along, 1, sides), colour = rgb.length === 3 ? rgb : third(rgb, i);
      for (let k = 0; k < sides; k++) {
        const m = out[k], n = out[k + 1];
        for (const [end, way] of [[a, m], [b, m], [b, n], [a, m], [b, n], [a, n]]) corner(to, add(end, way, radius), way, colour);
      }
    }
    return to;
  }

  const flat = (points, rgb) => {  // lines, or triangles without light
    const to = pile(points.length / 3);
    for (let i = 0; i < points.length / 3; i++) corner(to, third(points, i), [0, 0, 0], rgb.length === 3 ? rgb : third(rgb, i));
    return to;
  };

  const sheet = (mesh) => {  // a surface: triangles by index
    const points = floats(mesh.points), index = new Uint32Array(bytes(mesh.triangles).buffer), to = pile(index.length);
    for (let i = 0; i < index.length; i += 3) {
      const p = [0, 1, 2].map((k) => third(points, index[i + k])), n = unit(cross(add(p[1], p[0], -1), add(p[2], p[0], -1)));
      for (const q of p) corner(to, q, n, mesh.rgb);
    }
    return to;
  };

  // ---- drawing here, with WebGL 2 ---------------------------------------------------------------------------------
  class Glass {
    constructor(canvas) {
      this.canvas = canvas;
      this.layers = [];
      const gl = this.gl = canvas.getContext("webgl2", { alpha: false, antialias: true, preserveDrawingBuffer: true });
      if (!gl) throw new Error("This browser can't draw in three dimensions (WebGL 2 is missing or switched off).");
      const shader = (kind, source) => {
        const part = gl.createShader(kind);
        gl.shaderSource(part, source);
        gl.compileShader(part);
        return part;
      };
      const program = this.program = gl.createProgram();
      gl.attachShader(program, shader(gl.VERTEX_SHADER, `#version 300 es
        in vec3 position; in vec3 normal; in vec3 colour;
        uniform mat4 view; uniform vec3 eye; uniform vec3 ahead; uniform float parallel; uniform float stretch; uniform vec4 slab;
        out vec3 shade; out float off;
        void main() {
          vec3 p = vec3(position.xy, position.z * stretch);
          vec3 n = vec3(normal.xy, normal.z / stretch);
          vec3 sight = parallel > 0.5 ? ahead : normalize(eye - p);
          shade = colour * (dot(n, n) > 0.2 ? 0.62 + 0.38 * abs(dot(normalize(n), sight)) : 1.0);
          off = dot(slab.xyz, position) - slab.w;
          gl_Position = view * vec4(p, 1.0);
        }`));
      gl.attachShader(program, shader(gl.FRAGMENT_SHADER, `#version 300 es
        precision highp float; in vec3 shade; in float off; uniform float half_width; uniform float cut; uniform float alpha; out vec4 pixel;
        void main() { if (cut > 0.5 && abs(off) > half_width) discard; pixel = vec4(shade, alpha); }`));
      gl.linkProgram(program);
      gl.useProgram(program);
      const names = ["view", "eye", "ahead", "parallel", "stretch", "slab", "half_width", "cut", "alpha"];
      this.at = Object.fromEntries(names.map((name) => [name, gl.getUniformLocation(program, name)]));
    }

    load(scene) {
      const { gl } = this;
      for (const layer of this.layers) { layer.buffers.forEach((b) => gl.deleteBuffer(b)); gl.deleteVertexArray(layer.array); }
      const colours = scene.colours, disc = scene.disc;
      this.layers = [
        this.layer(flat(floats(scene.grid), colours.grid), gl.LINES, false),
        this.layer(flat(floats(scene.shadows), colours.grid), gl.LINES, false),
        this.layer(flat(floats(scene.signs.points), bytes(scene.signs.rgb)), gl.TRIANGLES, false),
        this.layer(tubes(scene.drilled.points || floats(scene.drilled.ends), bytes(scene.drilled.rgb), scene.tube, scene.drilled.rgb.length > 80000 ? 4 : 8), gl.TRIANGLES),
        this.layer(tubes(floats(scene.planned.ends), colours.planned, 0.7 * scene.tube, 6), gl.TRIANGLES),
        this.layer(discs(disc, disc.radius.length > 20000 ? 8 : 16), gl.TRIANGLES),
        this.layer(flat(floats(scene.lineations), colours.text), gl.LINES),
        this.layer(tubes(floats(scene.misfits), colours.accent, 0.5 * scene.tube, 6), gl.TRIANGLES),
        ...scene.sleeves.map((part) => this.layer(tubes(floats(part.ends), part.rgb, part.radius, 12), gl.TRIANGLES, true, 0.45)),
        ...scene.sheets.map((mesh) => this.layer(sheet(mesh), gl.TRIANGLES, true, mesh.alpha)),
      ];
    }

    layer(data, mode, cut = true, alpha = 1) {
      const { gl } = this, array = gl.createVertexArray(), buffers = [];
      gl.bindVertexArray(array);
      const fill = (name, values, kind, scaled) => {
        const place = gl.getAttribLocation(this.program, name), buffer = gl.createBuffer();
        buffers.push(buffer);
        gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
        gl.bufferData(gl.ARRAY_BUFFER, values, gl.STATIC_DRAW);
        gl.enableVertexAttribArray(place);
        gl.vertexAttribPointer(place, 3, kind, scaled, 0, 0);
      };
      fill("position", data.position, gl.FLOAT, false);
      fill("normal", data.normal, gl.FLOAT, false);
      fill("colour", data.colour, gl.UNSIGNED_BYTE, true);
      return { array, buffers, mode, cut, alpha, count: data.position.length / 3 };
    }

    paint(space) {
      const { gl, at, canvas } = this, scale = window.devicePixelRatio || 1, { slab } = space.how;
      const width = Math.round(canvas.clientWidth * scale), height = Math.round(canvas.clientHeight * scale);
      if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
      const { eye, ahead } = space.directions();
      gl.viewport(0, 0, width, height);
      gl.clearColor(...space.scene.colours.background.map((part) => part / 255), 1);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.enable(gl.DEPTH_TEST);
      gl.enable(gl.BLEND);
      gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
      gl.uniformMatrix4fv(at.view, false, space.projection());
      gl.uniform3fv(at.eye, eye);
      gl.uniform3fv(at.ahead, ahead);
      gl.uniform1f(at.parallel, space.camera.parallel ? 1 : 0);
      gl.uniform1f(at.stretch, space.how.stretch);
      gl.uniform4fv(at.slab, slab ? [...slab.normal, slab.offset] : [0, 0, 0, 0]);
      gl.uniform1f(at.half_width, slab ? slab.thickness / 2 : 0);
      for (const { array, mode, count, cut, alpha } of this.layers) {
        gl.uniform1f(at.cut, slab && cut ? 1 : 0);
        gl.uniform1f(at.alpha, alpha);
        gl.depthMask(alpha === 1);
        gl.bindVertexArray(array);
        gl.drawArrays(mode, 0, count);
      }
      gl.depthMask(true);
    }
  }

  // ---- drawing on a server: it gets the camera and answers with a picture -----------------------------------------
  class Wire {
    constructor(canvas, ask) {
      this.canvas = canvas;
      this.pen = canvas.getContext("2d");
      this.ask = ask;
      this.busy = false;
      this.wanted = null;
    }
    load() {}
    paint(space) {
      this.wanted = space;
      if (!this.busy) this.next();
    }
    async next() {
      this.busy = true;
      while (this.wanted) {
        const space = this.wanted, draft = space.moving, scale = draft ? 0.6 : window.devicePixelRatio || 1;
        this.wanted = null;
        const size = [this.canvas.clientWidth, this.canvas.clientHeight].map((side) => Math.max(2, Math.round(side * scale)));
        const { scene } = space, view = space.projection();
        try {
          const picture = await this.ask({ ...space.seen(), size, draft });
          if (!picture) continue;  // of a scene that is no longer shown
          if (scene !== space.scene) { this.wanted = space; continue; }
          [this.canvas.width, this.canvas.height] = size;
          this.pen.drawImage(picture, 0, 0, ...size);
          this.view = view;
          space.host.classList.remove("late");
          space.drawn();
        } catch (error) {
          space.complain(error);
        }
      }
      this.busy = false;
    }
  }

  // ---- the space --------------------------------------------------------------------------------------------------
  const AROUND = { here: [[0, 0]], beside: [[0, -1], [1, 0], [-1, 0], [0.9, -1], [-0.9, -1], [0, 1]] };

  class Space {
    // host: an element to fill. hear: { pick({ what, index, at, many }), moved(camera), complain(error) }; what is "disc",
    // "hole", "window", "fault" or "nothing", index its number in the scene (pieces of holes, of windows), at a place.
    // ask: how a server draws a picture; without it everything is drawn here. keepOff: elements that texts keep clear of.
    constructor(host, { hear = {}, ask = null, keepOff = () => [] } = {}) {
      host.classList.add("space");
      host.innerHTML = '<canvas tabindex="0" aria-label="Holes and structures in space. Drag to turn, wheel to come nearer."></canvas>' +
        '<canvas class="marks" aria-hidden="true"></canvas><div class="labels" aria-hidden="true"></div>' +
        '<p class="drawing" role="status">drawing …</p><p class="scale" hidden></p><svg class="directions" viewBox="-50 -50 100 100" role="img" aria-label="East, north and up"></svg>';
      this.host = host;
      host.space = this;
      [this.canvas, this.marks] = host.querySelectorAll("canvas");
      this.texts = host.querySelector(".labels");
      this.arms = host.querySelector(".directions");
      this.scale = host.querySelector(".scale");
      this.hear = hear;
      this.keepOff = keepOff;
      this.how = { stretch: 1, slab: null };
      this.chosen = [];
      this.painter = ask ? new Wire(this.canvas, ask) : new Glass(this.canvas);
      this.hands();
      new ResizeObserver(() => this.redraw()).observe(host);
    }

    late() { if (this.scene) this.host.classList.add("late"); }  // what stands there is of an earlier version
    load(scene) {
      const first = !this.scene;
      if (this.painter instanceof Wire) this.late();
      this.scene = scene;
      scene.disc = scene.disc || {
        centre: floats(scene.discs.centre), normal: floats(scene.discs.normal), radius: floats(scene.discs.radius), rgb: bytes(scene.discs.rgb),
      };
      const sides = [0, 1, 2].map((i) => scene.corners.map((c) => c[i]));
      this.middle = sides.map((side) => (Math.min(...side) + Math.max(...side)) / 2);
      this.lens = scene.view.angle * Math.PI / 180;
      this.painter.load(scene);
      this.texts.replaceChildren();
      this.labels = scene.labels.map(([text, x, y, z, style, way]) => {
        const element = document.createElement("span");
        element.textContent = text;
        element.className = style;
        element.style.visibility = "hidden";  // until it has a place
        this.texts.append(element);
        return { element, at: [x, y, z], way };
      });
      for (const label of this.labels) [label.width, label.height] = [label.element.offsetWidth, label.element.offsetHeight];
      if (first || !this.camera) this.go("first");
      if (this.canvas.clientWidth) this.overlay();
      this.redraw();
    }
    get sight_seen() { return (this.painter instanceof Wire && this.painter.view) || this.projection(); }  // of the picture that stands there
    overlay() {  // texts and signs at once, whoever draws the picture
      const view = this.sight_seen;
      this.drawScale();
      this.drawDirections();
      this.placeLabels(view);
      this.markChosen(view);
    }

    // -- camera: turns about a target, and up stays up
    directions(view = this.camera) {
      const a = view.azimuth * Math.PI / 180, d = view.dip * Math.PI / 180;
      const ahead = [Math.cos(d) * Math.sin(a), Math.cos(d) * Math.cos(a), Math.sin(d)], right = [Math.cos(a), -Math.sin(a), 0];
      return { ahead, right, up: cross(right, ahead), eye: add(view.target, ahead, -view.distance) };
    }
    get aside() { return this.how.aside ?? this.scene.aside; }  // how far the scene stands right of the middle
    get lift() { return Math.min(0.5, (this.how.below || 0) / Math.max(this.canvas.clientHeight, 200)); }  // and above it, for a bar at the bottom
    get wide() { return this.canvas.clientWidth / Math.max(1, this.canvas.clientHeight); }
    away(view) {  // how far off the eye sees some points, or all corners of the box, with a margin
      const { ahead, right, up } = this.directions(view), half = Math.tan(this.lens / 2), { margin } = this.scene, aside = this.aside;
      let far = 0;
      for (const c of view.points || this.scene.corners) {
        const p = add([c[0], c[1], c[2] * this.how.stretch], view.target, -1);
        const across = Math.abs(dot(p, right)) / (half * this.wide * (1 - Math.abs(aside)));
        const high = Math.abs(dot(p, up)) / (half * (1 - this.lift));
        far = Math.max(far, margin * Math.max(across, high) - (view.parallel ? 0 : dot(p, ahead)));
      }
      return far;
    }
    projection() {
      const { ahead, right, up, eye } = this.directions(), { camera, scene } = this, reach = scene.reach * Math.max(1, this.how.stretch);
      const near = camera.parallel ? camera.distance - 3 * reach : Math.max(camera.distance - 1.5 * reach, camera.distance * 0.02);
      const far = camera.distance + (camera.parallel ? 3 : 1.5) * reach;
      const f = 1 / Math.tan(this.lens / 2), row = (v, s) => [...v.map((x) => s * x), -s * dot(v, eye)];
      let x = row(right, f / this.wide), y = row(up, f), z, t;
      if (camera.parallel) {
        [x, y] = [x, y].map((r) => r.map((value) => value / camera.distance));
        z = row(ahead, 2 / (far - near));
        z[3] -= (far + near) / (far - near);
        t = [0, 0, 0, 1];
      } else {
        z = row(ahead, (far + near) / (far - near));
        z[3] -= 2 * far * near / (far - near);
        t = row(ahead, 1);
      }
      for (let i = 0; i < 4; i++) { x[i] += this.aside * t[i]; y[i] += this.lift * t[i]; }  // the legend is on the left, a bar at the bottom
      return new Float32Array([0, 1, 2, 3].flatMap((i) => [x[i], y[i], z[i], t[i]]));
    }
    seen() {  // what a server has to know to draw the same
      return { ...this.camera, eye: this.directions().eye, stretch: this.how.stretch, slab: this.how.slab, aside: this.aside, lift: this.lift };
    }
    go(name) {
      const { view } = this.scene, middle = [this.middle[0], this.middle[1], this.middle[2] * this.how.stretch];
      const base = { azimuth: view.azimuth, dip: view.dip, target: middle, distance: 0, parallel: false };
      const views = {
        first: base, plan: { ...base, azimuth: 0, dip: -90 }, north: { ...base, azimuth: 0, dip: 0 }, west: { ...base, azimuth: -90, dip: 0 },
      };
      this.face(views[name]);
    }
    face(view) {  // look along a direction at a target; without a distance the whole scene is seen
      const full = { parallel: false, target: this.middle, distance: 0, ...view };
      const { points, ...camera } = full, fits = !full.distance;
      this.camera = { ...camera, distance: full.distance || 1 };
      for (let k = 0; fits && k < 4; k++) {  // what is seen fills the picture: from so far off, and about the middle of what is seen
        this.camera.distance = Math.max(this.away({ ...this.camera, points }), 0.02 * this.scene.reach);
        const { right, up, ahead } = this.directions(), corners = points || this.scene.corners, seen = corners.map((c) => {
          const p = add([c[0], c[1], c[2] * this.how.stretch], this.camera.target, -1), far = camera.parallel ? 1 : 1 + dot(p, ahead) / this.camera.distance;
          return [dot(p, right) / far, dot(p, up) / far];
        });
        const middle = (k) => (Math.min(...seen.map((p) => p[k])) + Math.max(...seen.map((p) => p[k]))) / 2;
        this.camera.target = add(add(this.camera.target, right, middle(0)), up, middle(1));
      }
      this.settle();
    }

    glide(view) {  // the same as face, by a smooth turn, unless a person wants no motion
      const from = this.camera, still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
      this.face(view);
      if (still || !from) return;
      const to = this.camera, begun = performance.now(), turn = ((to.azimuth - from.azimuth + 540) % 360 + 360) % 360 - 180;
      const step = (now) => {
        if (this.camera !== to && this.camera !== this.gliding) return;  // a hand has taken the camera
        const t = Math.max(0, Math.min(1, (now - begun) / 900)), s = t * t * (3 - 2 * t);
        if (t === 1) { this.camera = to; this.settle(); this.redraw(); return; }
        this.camera = this.gliding = {
          ...to, azimuth: to.azimuth - (1 - s) * turn, dip: from.dip + s * (to.dip - from.dip), target: from.target.map((x, k) => x + s * (to.target[k] - x)),
          distance: from.distance * (to.distance / from.distance) ** s,
        };
        this.settle();
        this.redraw();
        requestAnimationFrame(step);
      };
      requestAnimationFrame(step);
    }

    lookThere(place, span = 0) {  // bring a place to the middle, near enough to see it, and ring it; without a place nothing is ringed
      this.spot = span ? null : place;
      if (place) this.camera.target = [place[0], place[1], place[2] * this.how.stretch];
      if (place && span) this.camera.distance = Math.min(this.camera.distance, Math.max(5 * span, 120) / Math.tan(this.lens / 2) / 2);
      this.settle();
    }

    // -- drawing
    redraw() {
      if (!this.waiting && this.scene && this.canvas.clientWidth) {
        this.waiting = true;
        requestAnimationFrame(() => { this.waiting = false; this.painter.paint(this); if (this.painter instanceof Glass) this.drawn(); });
      }
    }
    drawn() {
      if (this.painter instanceof Glass) this.host.classList.remove("late");
      this.overlay();
      this.host.dataset.drawn = String(1 + Number(this.host.dataset.drawn || 0));
    }
    settle() {  // drawn at full quality when the hand rests
      if (!this.scene) return;  // nothing to see yet
      clearTimeout(this.resting);
      this.moving = true;
      this.resting = setTimeout(() => { this.moving = false; this.redraw(); this.hear.moved?.(this.seen()); }, 180);
      this.redraw();
    }
    complain(error) { this.hear.complain?.(error); }

    onScreen(view, p) {
      const q = [p[0], p[1], p[2] * this.how.stretch], row = (i) => view[i] * q[0] + view[4 + i] * q[1] + view[8 + i] * q[2] + view[12 + i], t = row(3);
      return t > 0 ? [(1 + row(0) / t) / 2 * this.canvas.clientWidth, (1 - row(1) / t) / 2 * this.canvas.clientHeight] : null;
    }
    placeLabels(view) {  // the first has the first choice of place, those without room are left out
      const home = this.host.getBoundingClientRect();
      const taken = [this.scale, ...this.arms.children, ...this.keepOff()].map((part) => part.getBoundingClientRect()).map((b) => [b.left - home.left, b.top - home.top, b.right - home.left, b.bottom - home.top]);
      for (const label of this.labels) {
        const at = this.inSlab(label.at, label.element.className) ? this.onScreen(view, label.at) : null;
        const places = at ? AROUND[label.way].map(([a, b]) => [at[0] + a * (label.width / 2 + 6), at[1] + b * 0.8 * label.height]) : [];
        const boxes = places.map(([x, y]) => [x - label.width / 2, y - label.height / 2, x + label.width / 2, y + label.height / 2]);
        const box = boxes.find((b) => !taken.some((t) => b[0] < t[2] && t[0] < b[2] && b[1] < t[3] && t[1] < b[3]));
        label.element.hidden = !box;
        if (box) {
          taken.push(box);
          label.element.style.visibility = "visible";
          label.element.style.transform = `translate(${box[0]}px, ${box[1]}px)`;
        }
      }
    }
    inSlab(p, style) {  // whether a text may stand: those of holes only in the slab
      return (style !== "name" && style !== "depth") || !this.cutAway(p, 1);
    }
    markChosen(view) {  // rings round the chosen discs, in front of everything
      const { marks, scene } = this, scale = window.devicePixelRatio || 1, pen = marks.getContext("2d");
      marks.width = marks.clientWidth * scale;
      marks.height = marks.clientHeight * scale;
      pen.scale(scale, scale);
      pen.lineWidth = 2.5;
      pen.strokeStyle = `rgb(${scene.colours.accent.join()})`;
      for (const i of this.chosen.slice(0, 3000)) {
        if (i >= scene.disc.radius.length || this.cutAway(third(scene.disc.centre, i))) continue;
        if (!scene.disc.radius[i]) continue;
        const edge = rim(third(scene.disc.centre, i), third(scene.disc.normal, i), 1.2 * scene.disc.radius[i], 32).map((p) => this.onScreen(view, p));
        if (edge.some((p) => !p)) continue;
        pen.beginPath();
        edge.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
        pen.stroke();
      }
      const spot = this.spot && !this.cutAway(this.spot) && this.onScreen(view, this.spot);
      if (spot) {
        pen.beginPath();
        pen.arc(...spot, 16, 0, 2 * Math.PI);
        pen.stroke();
      }
      this.markExpected(pen, view);
      this.markAim(pen, view);
    }
    markExpected(pen, view) {  // beside a chosen disc that is accused, the attitude that is expected, and the angle between
      const { scene } = this, { ghosts } = scene, { fontSize } = getComputedStyle(this.host);
      if (!ghosts?.disc || (scene.dress && scene.dress !== "possible")) return;
      const chosen = new Set(this.chosen), expected = `rgb(${scene.colours.expected.join()})`, written = [], many = ghosts.disc.filter((i) => chosen.has(i)).length > 12;
      const line = (points, close) => {
        if (points.some((p) => !p)) return false;
        pen.beginPath();
        points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
        if (close) pen.closePath();
        pen.stroke();
        return true;
      };
      const write = (text, [x, y]) => {
        if (written.some(([a, b]) => Math.abs(a - x) < 40 && Math.abs(b - y) < 16)) return;
        written.push([x, y]);
        pen.lineWidth = 4;
        pen.strokeStyle = `rgb(${scene.colours.background.join()})`;
        pen.strokeText(text, x, y);
        pen.fillStyle = expected;
        pen.fillText(text, x, y);
        pen.strokeStyle = expected;
        pen.lineWidth = many ? 1.2 : 2.5;
      };
      pen.font = `bold ${fontSize} DejaVu Sans, Verdana, sans-serif`;
      pen.strokeStyle = expected;
      pen.lineWidth = 2.5;
      let drawn = 0;
      if (many) pen.lineWidth = 1.2;
      ghosts.disc.forEach((i, k) => {
        const c = third(scene.disc.centre, i), r = 1.15 * scene.disc.radius[i];
        if (!chosen.has(i) || !r || this.cutAway(c)) return;
        const edge = rim(c, ghosts.normal[k], r, 32).map((p) => this.onScreen(view, p));
        if (!line(edge)) return;
        drawn++;
        pen.globalAlpha = many ? 0.03 : 0.14;
        pen.fillStyle = expected;
        pen.fill();
        pen.globalAlpha = 1;
        const tip = edge.reduce((a, b) => (b[0] > a[0] ? b : a));
        write(`${ghosts.angle[k]}°`, [tip[0] + 5, tip[1] + 4]);
      });
      for (const turn of ghosts.turns) {  // the line of a run as an arc round the core: from where it should be to where it is
        if (!turn.discs.some((i) => chosen.has(i))) continue;
        const side = cross(turn.along, turn.from), size = 3.2 * Math.max(...turn.discs.map((i) => scene.disc.radius[i]), scene.tube), points = [];
        for (let k = 0; k <= 24; k++) {
          const a = turn.turn * k / 24 * Math.PI / 180;
          points.push(add(add(turn.at, turn.from, size * Math.cos(a)), side, size * Math.sin(a)));
        }
        const arc = points.map((p) => this.onScreen(view, p)), middle = this.onScreen(view, turn.at);
        if (arc.some((p) => !p) || !middle) continue;
        line([arc[0], middle, arc[24]]);
        pen.lineWidth = 4;
        line(arc);
        const [x, y] = arc[24], [p, q] = arc[22], a = Math.atan2(y - q, x - p);
        line([[x - 11 * Math.cos(a - 0.45), y - 11 * Math.sin(a - 0.45)], [x, y], [x - 11 * Math.cos(a + 0.45), y - 11 * Math.sin(a + 0.45)]]);
        pen.lineWidth = 2.5;
        write(`line turned ${Math.round(turn.turn)}°`.replace("-", "−"), [arc[12][0] + 8, arc[12][1]]);
      }
      this.host.dataset.expected = String(drawn);
    }
    markAim(pen, view) {  // a planned hole in front of everything, with the windows in which it meets faults
      const { aim, scene } = this;
      if (!aim || (scene.dress && scene.dress !== "next_hole" && scene.dress !== "show")) return;  // another question
      const stroke = (points, colour, width, dash = []) => {
        const seen = points.map((p) => this.onScreen(view, p));
        if (seen.some((p) => !p)) return null;
        pen.setLineDash(dash);
        pen.lineWidth = width;
        pen.strokeStyle = colour;
        pen.beginPath();
        seen.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
        pen.stroke();
        pen.setLineDash([]);
        return seen;
      };
      stroke(aim.points, `rgb(${scene.colours.text.join()})`, 2.5, [9, 5]);
      const written = [], { fontSize } = getComputedStyle(this.host), line = 1.25 * parseFloat(fontSize);
      pen.font = `bold ${fontSize} DejaVu Sans, Verdana, sans-serif`;
      for (const { window: ends, colour, text } of aim.meetings) {
        const seen = stroke(ends, colour, 9);
        if (!seen) continue;
        const x = seen[1][0] + 12, wide = pen.measureText(text).width;
        let y = seen[1][1] + 4;
        while (written.some(([a, b, w]) => Math.abs(b - y) < line && a < x + wide && x < a + w)) y += line;  // below what stands there
        written.push([x, y, wide]);
        pen.lineWidth = 4;
        pen.strokeStyle = `rgb(${scene.colours.background.join()})`;
        pen.fillStyle = `rgb(${scene.colours.text.join()})`;
        pen.strokeText(text, x, y);
        pen.fillText(text, x, y);
      }
    }
    drawScale() {  // with parallel sight lengths can be measured on the screen
      const { scale, camera } = this, metre = this.canvas.clientHeight / (2 * camera.distance * Math.tan(this.lens / 2));
      scale.hidden = !camera.parallel;
      if (this.how.below) scale.style.bottom = `${this.how.below + 10}px`;  // above a bar at the bottom
      if (scale.hidden) return;
      const most = 220 / metre, ten = 10 ** Math.floor(Math.log10(most)), length = [5, 2, 1].find((n) => n * ten <= most) * ten;
      const way = this.how.stretch === 1 || Math.abs(camera.dip) === 90 ? "" : " across";
      scale.style.width = `${length * metre}px`;
      scale.textContent = length >= 1000 ? `${length / 1000} km${way}` : `${Number(length.toPrecision(1))} m${way}`;
    }
    drawDirections() {
      const { right, up, ahead } = this.directions();
      const arm = (v, name, style) => {
        const x = 34 * dot(v, right), y = -34 * dot(v, up);
        return [dot(v, ahead), `<line class="${style}" x1="0" y1="0" x2="${x}" y2="${y}"/><text x="${1.3 * x}" y="${1.3 * y}">${name}</text>`];
      };
      const arms = [arm([1, 0, 0], "E", "east"), arm([0, 1, 0], "N", "north"), arm([0, 0, 1], "Up", "up")];
      this.arms.innerHTML = arms.sort((a, b) => b[0] - a[0]).map((a) => a[1]).join("");
    }

    // -- picking, in picking.js
    sight(x, y) { return lowside.sight(this, x, y); }
    under(x, y) { return lowside.under(this, x, y); }
    cutAway(p, room = 0) {  // whether the slab leaves a place out, more than some metres away
      const { slab } = this.how;
      return Boolean(slab) && Math.abs(dot(slab.normal, p) - slab.offset) > slab.thickness / 2 + room;
    }
    choose(indexes) { this.chosen = indexes; this.mark(); }
    mark() {  // draw what lies over the picture; the picture itself stays
      if (this.scene && this.canvas.clientWidth) this.markChosen(this.sight_seen);
    }
    set(how) {
      const before = this.how.stretch;
      Object.assign(this.how, how);
      if (this.camera) {  // what was looked at stays in the middle
        const [east, north, up] = this.camera.target;
        this.camera.target = [east, north, up * this.how.stretch / before];
      }
      this.settle();
    }

    // -- hands
    turn(dx, dy) {
      if (!this.camera) return;
      this.camera.azimuth = (this.camera.azimuth + 0.3 * dx) % 360;
      this.camera.dip = Math.max(-90, Math.min(90, this.camera.dip - 0.3 * dy));
      this.settle();
    }
    shift(dx, dy) {
      if (!this.camera) return;
      const { right, up } = this.directions(), pixel = 2 * this.camera.distance * Math.tan(this.lens / 2) / this.canvas.clientHeight;
      this.camera.target = add(add(this.camera.target, right, -dx * pixel), up, dy * pixel);
      this.settle();
    }
    nearer(factor) {
      if (!this.camera) return;
      this.camera.distance = Math.max(0.005 * this.scene.reach, Math.min(30 * this.scene.reach, this.camera.distance * factor));
      this.settle();
    }
    hands() {
      const fingers = new Map(), { canvas } = this;
      let moved = 0;
      canvas.addEventListener("pointerdown", (event) => {
        canvas.setPointerCapture(event.pointerId);
        fingers.set(event.pointerId, [event.clientX, event.clientY]);
        moved = 0;
      });
      canvas.addEventListener("pointermove", (event) => {
        const before = fingers.get(event.pointerId);
        if (!before) return;
        const dx = event.clientX - before[0], dy = event.clientY - before[1];
        moved += Math.abs(dx) + Math.abs(dy);
        if (fingers.size === 2) {
          const other = [...fingers].find(([id]) => id !== event.pointerId)[1], apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]) || 1;
          this.nearer(apart(before) / apart([event.clientX, event.clientY]));
          this.shift(dx / 2, dy / 2);
        } else if (event.shiftKey || event.buttons & 6) this.shift(dx, dy);
        else if (moved >= 5) this.turn(dx, dy);
        fingers.set(event.pointerId, [event.clientX, event.clientY]);
      });
      const lift = (event) => {
        if (fingers.delete(event.pointerId) && event.type === "pointerup" && moved < 5 && event.button === 0) {
          const box = canvas.getBoundingClientRect(), x = event.clientX - box.left, y = event.clientY - box.top;
          this.spot = null;
          if (this.scene) this.hear.pick?.({ ...this.under(x, y), x, y, many: event.ctrlKey || event.metaKey });
        }
      };
      canvas.addEventListener("pointerup", lift);
      canvas.addEventListener("pointercancel", lift);
      canvas.addEventListener("contextmenu", (event) => event.preventDefault());
      canvas.addEventListener("wheel", (event) => { event.preventDefault(); this.nearer(Math.exp(event.deltaY * 0.001)); }, { passive: false });
      canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
      canvas.addEventListener("webglcontextrestored", () => { this.painter = new Glass(canvas); this.painter.load(this.scene); this.redraw(); });
    }
    key(name) {  // true when the key means something here
      const keys = {
        r: () => this.go("first"), p: () => this.go("plan"), n: () => this.go("north"), w: () => this.go("west"),
        ArrowLeft: () => this.turn(-20, 0), ArrowRight: () => this.turn(20, 0), ArrowUp: () => this.turn(0, 20), ArrowDown: () => this.turn(0, -20),
        "+": () => this.nearer(0.85), "-": () => this.nearer(1 / 0.85),
      };
      if (!keys[name]) return false;
      keys[name]();
      return true;
    }
  }

  // A scene in the dress of one question: the same discs in the same order, in its colours and sizes, and what else it shows.
  // Of one fault alone, all that is not its own is left out: a disc of no size is neither seen nor hit.
  const dressed = (scene, picture, fault = "") => {
    const radius = floats(picture.radius), own = fault && new Set(scene.members[fault] || []), is = (mesh) => mesh.what !== "fault" || ((mesh.name in picture.sheets) && (!fault || mesh.name === fault));
    if (fault) radius.forEach((_, i) => { if (!own.has(i)) radius[i] = 0; });
    const near = () => {  // pieces of hole near the fault's picks; the others stay in their places with no length
      const ends = floats(scene.drilled.ends), centre = floats(scene.discs.centre), spots = [...own].map((i) => third(centre, i)), reach = 0.05 * scene.reach;
      for (let k = 0; k < ends.length; k += 6) {
        const m = [0, 1, 2].map((j) => (ends[k + j] + ends[k + 3 + j]) / 2);
        if (!spots.some((p) => Math.hypot(p[0] - m[0], p[1] - m[1], p[2] - m[2]) <= reach)) for (let j = 0; j < 3; j++) ends[k + j] = ends[k + 3 + j] = m[j];
      }
      return ends;
    };
    return {
      ...scene, planned: fault ? { ends: "" } : scene.planned, disc: { centre: floats(scene.discs.centre), normal: floats(scene.discs.normal), radius, rgb: bytes(picture.rgb) }, solid: null,
      drilled: { ...scene.drilled, rgb: picture.drilled, points: fault ? near() : null },
      sheets: scene.sheets.filter(is).map((mesh) => ({ ...mesh, rgb: picture.sheets[mesh.name] || mesh.rgb })),
      sleeves: picture.sleeves.length ? scene.sleeves.map((part, k) => ({ ...part, rgb: picture.sleeves[k] })).filter((part) => !fault || part.name === fault) : [],
      misfits: picture.misfits ? (fault ? scene.misfits_of[fault] || "" : scene.misfits) : "", lineations: picture.lineations ? scene.lineations : "",
      labels: scene.labels.filter(([text, , , , style]) => style !== "fault" || (picture.names && (!fault || text === fault))),
    };
  };

  Object.assign(lowside, { Space, dressed, floats, bytes, vectors: { add, unit, third } });
})();
