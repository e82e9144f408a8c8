// Draws the scene of the page: holes and discs with WebGL 2, labels, legend and cards as HTML. Asks for nothing outside.
// Coordinates are local metres (east, north, up); `origin` turns them into true ones.
"use strict";
(() => {
  const scene = JSON.parse(document.getElementById("scene").textContent);
  const canvas = document.getElementById("space");
  const gl = canvas.getContext("webgl2", { antialias: true });
  if (!gl) {
    const trouble = document.getElementById("trouble");
    trouble.textContent = "This browser can't draw in three dimensions (WebGL 2 is missing or switched off).";
    trouble.hidden = false;
    return;
  }

  // ---- numbers --------------------------------------------------------------------------------------------------
  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const floats = (text) => new Float32Array(bytes(text).buffer);
  const add = (a, b, s = 1) => [a[0] + s * b[0], a[1] + s * b[1], a[2] + s * b[2]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => { const l = Math.hypot(...a) || 1; return [a[0] / l, a[1] / l, a[2] / l]; };
  const square = (a) => unit(cross(Math.abs(a[2]) > 0.99 ? [0, 1, 0] : [0, 0, 1], a));  // some direction square to a

  // ---- geometry: arrays of position, normal and colour, three numbers each --------------------------------------
  const pile = () => ({ position: [], normal: [], colour: [] });
  const corner = (to, p, n, c) => { to.position.push(...p); to.normal.push(...n); to.colour.push(...c); };

  function discs({ centre, normal, radius, rgb, sides }) {
    const to = pile();
    for (let i = 0; i < radius.length; i++) {
      const c = centre.subarray(3 * i, 3 * i + 3), n = normal.subarray(3 * i, 3 * i + 3);
      const colour = rgb.subarray(3 * i, 3 * i + 3), u = square(n), v = cross(n, u);
      const rim = (k) => add(add(c, u, radius[i] * Math.cos(2 * Math.PI * k / sides)), v, radius[i] * Math.sin(2 * Math.PI * k / sides));
      for (let k = 0; k < sides; k++) {
        corner(to, c, n, colour); corner(to, rim(k), n, colour); corner(to, rim(k + 1), n, colour);
      }
    }
    return to;
  }

  function tubes(ends, rgb, radius, sides) {
    const to = pile();
    for (let i = 0; i < ends.length / 6; i++) {
      const a = ends.subarray(6 * i, 6 * i + 3), b = ends.subarray(6 * i + 3, 6 * i + 6);
      const u = square(unit(add(b, a, -1))), v = cross(unit(add(b, a, -1)), u);
      const colour = rgb.length === 3 ? rgb : rgb.subarray(3 * i, 3 * i + 3);
      const out = (k) => add(u.map((x) => x * Math.cos(2 * Math.PI * k / sides)), v, Math.sin(2 * Math.PI * k / sides));
      for (let k = 0; k < sides; k++) {
        const m = out(k), n = out(k + 1), q = [[a, m], [b, m], [b, n], [a, m], [b, n], [a, n]];
        for (const [end, way] of q) corner(to, add(end, way, radius), way, colour);
      }
    }
    return to;
  }

  const flat = (points, rgb) => {  // a ready mesh of triangles lying on the floor, or lines: no light
    const to = pile(), count = points.length / 3;
    for (let i = 0; i < count; i++) {
      corner(to, points.subarray(3 * i, 3 * i + 3), [0, 0, 0], rgb.length === 3 ? rgb : rgb.subarray(3 * i, 3 * i + 3));
    }
    return to;
  };

  // ---- drawing --------------------------------------------------------------------------------------------------
  const shader = (kind, source) => {
    const part = gl.createShader(kind);
    gl.shaderSource(part, source);
    gl.compileShader(part);
    return part;
  };
  const program = gl.createProgram();
  gl.attachShader(program, shader(gl.VERTEX_SHADER, `#version 300 es
    in vec3 position; in vec3 normal; in vec3 colour; uniform mat4 view; uniform vec3 eye; out vec3 shade;
    void main() {
      float light = dot(normal, normal) > 0.5 ? 0.62 + 0.38 * abs(dot(normal, normalize(eye - position))) : 1.0;
      shade = colour * light;
      gl_Position = view * vec4(position, 1.0);
    }`));
  gl.attachShader(program, shader(gl.FRAGMENT_SHADER, `#version 300 es
    precision mediump float; in vec3 shade; out vec4 pixel;
    void main() { pixel = vec4(shade, 1.0); }`));
  gl.linkProgram(program);
  gl.useProgram(program);

  const loaded = (data, mode) => {
    const array = gl.createVertexArray();
    gl.bindVertexArray(array);
    const fill = (name, values, kind, scaled) => {
      const place = gl.getAttribLocation(program, name);
      gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
      gl.bufferData(gl.ARRAY_BUFFER, values, gl.STATIC_DRAW);
      gl.enableVertexAttribArray(place);
      gl.vertexAttribPointer(place, 3, kind, scaled, 0, 0);
    };
    fill("position", new Float32Array(data.position), gl.FLOAT, false);
    fill("normal", new Float32Array(data.normal), gl.FLOAT, false);
    fill("colour", new Uint8Array(data.colour), gl.UNSIGNED_BYTE, true);
    return { array, mode, count: data.position.length / 3 };
  };

  const disc = {
    centre: floats(scene.discs.centre), normal: floats(scene.discs.normal), radius: floats(scene.discs.radius),
    rgb: bytes(scene.discs.rgb), sides: 16,
  };
  const holes = { ends: floats(scene.drilled.ends), rgb: bytes(scene.drilled.rgb) };
  const planned = floats(scene.planned.ends);
  const layers = [
    loaded(flat(floats(scene.grid), scene.colours.grid), gl.LINES),
    loaded(flat(floats(scene.shadows), scene.colours.grid), gl.LINES),
    loaded(flat(floats(scene.signs.points), bytes(scene.signs.rgb)), gl.TRIANGLES),
    loaded(tubes(holes.ends, holes.rgb, scene.tube, 8), gl.TRIANGLES),
    loaded(tubes(planned, scene.colours.planned, 0.7 * scene.tube, 6), gl.TRIANGLES),
    loaded(discs(disc), gl.TRIANGLES),
    loaded(flat(floats(scene.lineations), scene.colours.text), gl.LINES),
  ];
  let ring = null;  // round the disc that was picked

  // ---- camera: turns about a target, and up stays up -------------------------------------------------------------
  const middle = [0, 1, 2].map((i) => (Math.min(...scene.corners.map((c) => c[i])) + Math.max(...scene.corners.map((c) => c[i]))) / 2);
  const reach = scene.reach;
  const lens = scene.view.angle * Math.PI / 180;
  const first = { azimuth: scene.view.azimuth, dip: scene.view.dip, distance: 0, target: middle };
  const camera = { ...first };

  function directions(view = camera) {
    const a = view.azimuth * Math.PI / 180, d = view.dip * Math.PI / 180;
    const ahead = [Math.cos(d) * Math.sin(a), Math.cos(d) * Math.cos(a), Math.sin(d)];
    const right = [Math.cos(a), -Math.sin(a), 0];
    return { ahead, right, up: cross(right, ahead), eye: add(view.target, ahead, -view.distance) };
  }
  function away(view) {  // how far off the eye sees all corners of the box, with a margin
    const { ahead, right, up } = directions(view), half = Math.tan(lens / 2), wide = canvas.clientWidth / canvas.clientHeight;
    let far = 0;
    for (const c of scene.corners) {
      const p = add(c, middle, -1), across = Math.abs(dot(p, right)) / (half * wide * (1 - scene.aside));
      far = Math.max(far, scene.margin * Math.max(across, Math.abs(dot(p, up)) / half) - dot(p, ahead));
    }
    return far;
  }
  function projection() {
    const { ahead, right, up, eye } = directions();
    const near = Math.max(camera.distance - 1.5 * reach, camera.distance * 0.02), far = camera.distance + 1.5 * reach;
    const f = 1 / Math.tan(lens / 2), w = f * canvas.clientHeight / canvas.clientWidth;
    const a = (far + near) / (near - far), b = 2 * far * near / (near - far);
    const row = (v, s) => [...v.map((x) => s * x), -s * dot(v, eye)];
    const x = row(right, w), y = row(up, f), z = row(ahead, -a), t = row(ahead, 1);
    z[3] += b;
    for (let i = 0; i < 4; i++) x[i] += scene.aside * t[i];  // the legend is on the left
    return new Float32Array([0, 1, 2, 3].flatMap((i) => [x[i], y[i], z[i], t[i]]));
  }

  let waiting = false;
  const redraw = () => { if (!waiting) { waiting = true; requestAnimationFrame(draw); } };
  function draw() {
    waiting = false;
    const scale = window.devicePixelRatio || 1;
    const width = Math.round(canvas.clientWidth * scale), height = Math.round(canvas.clientHeight * scale);
    if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
    gl.viewport(0, 0, width, height);
    gl.clearColor(1, 1, 1, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    const view = projection();
    gl.uniformMatrix4fv(gl.getUniformLocation(program, "view"), false, view);
    gl.uniform3fv(gl.getUniformLocation(program, "eye"), directions().eye);
    for (const { array, mode, count } of ring ? [...layers, ring] : layers) {
      gl.bindVertexArray(array);
      gl.drawArrays(mode, 0, count);
    }
    placeLabels(view);
    drawDirections();
    document.body.dataset.drawn = String(1 + Number(document.body.dataset.drawn || 0));
  }

  // ---- labels: the first has the first choice of place, those without room are left out --------------------------
  const around = { here: [[0, 0]], beside: [[0, -1], [1, 0], [-1, 0], [0.9, -1], [-0.9, -1], [0, 1]] };
  const labels = scene.labels.map(([text, x, y, z, style, way]) => {
    const element = document.createElement("span");
    element.textContent = text;
    element.className = style;
    document.getElementById("labels").append(element);
    return { element, at: [x, y, z], way, width: element.offsetWidth, height: element.offsetHeight };
  });
  const onScreen = (view, p) => {
    const row = (i) => view[i] * p[0] + view[4 + i] * p[1] + view[8 + i] * p[2] + view[12 + i];
    const t = row(3);
    return t > 0 ? [(1 + row(0) / t) / 2 * canvas.clientWidth, (1 - row(1) / t) / 2 * canvas.clientHeight] : null;
  };
  function placeLabels(view) {
    const taken = [];
    for (const part of document.getElementById("legend").children) {
      const box = part.getBoundingClientRect();
      taken.push([box.left, box.top, box.right, box.bottom]);
    }
    for (const label of labels) {
      const at = onScreen(view, label.at);
      const places = at ? around[label.way].map(([a, b]) => [at[0] + a * (label.width / 2 + 6), at[1] + b * 0.8 * label.height]) : [];
      const boxes = places.map(([x, y]) => [x - label.width / 2, y - label.height / 2, x + label.width / 2, y + label.height / 2]);
      const box = boxes.find((b) => !taken.some((t) => b[0] < t[2] && t[0] < b[2] && b[1] < t[3] && t[1] < b[3]));
      label.element.hidden = !box;
      if (box) {
        taken.push(box);
        label.element.style.transform = `translate(${box[0]}px, ${box[1]}px)`;
      }
    }
  }
  function drawDirections() {
    const { right, up, ahead } = directions();
    const arm = (v, name, style) => {
      const x = 34 * dot(v, right), y = -34 * dot(v, up);
      return [dot(v, ahead), `<line class="${style}" x1="0" y1="0" x2="${x}" y2="${y}"/><text x="${1.3 * x}" y="${1.3 * y}">${name}</text>`];
    };
    const arms = [arm([1, 0, 0], "E", "east"), arm([0, 1, 0], "N", "north"), arm([0, 0, 1], "Up", "up")];
    document.getElementById("directions").innerHTML = arms.sort((a, b) => b[0] - a[0]).map((a) => a[1]).join("");
  }

  // ---- picking: the first disc that the line of sight meets, exactly ---------------------------------------------
  function pick(x, y) {
    const { ahead, right, up, eye } = directions();
    const half = Math.tan(lens / 2), wide = canvas.clientWidth / canvas.clientHeight;
    const across = (2 * x / canvas.clientWidth - 1 - scene.aside) * half * wide, high = (1 - 2 * y / canvas.clientHeight) * half;
    const sight = unit(add(add(ahead, right, across), up, high));
    let best = -1, nearest = Infinity;
    for (let i = 0; i < disc.radius.length; i++) {
      const c = disc.centre.subarray(3 * i, 3 * i + 3), n = disc.normal.subarray(3 * i, 3 * i + 3);
      const s = dot(n, add(c, eye, -1)) / dot(n, sight);
      if (s > 0 && s < nearest && Math.hypot(...add(add(eye, sight, s), c, -1)) <= disc.radius[i]) { best = i; nearest = s; }
    }
    return best;
  }
  function show(i) {
    const card = document.getElementById("card");
    card.hidden = i < 0;
    card.replaceChildren();
    ring = null;
    if (i >= 0) {
      const close = document.createElement("button");
      close.textContent = "×";
      close.title = "Close (Escape)";
      close.onclick = () => show(-1);
      const table = document.createElement("table");
      scene.rows.columns.forEach((name, k) => {
        const value = scene.rows.values[k][i];
        if (value === null || value === "") return;
        const row = table.insertRow(), head = document.createElement("th");
        head.textContent = name;
        row.append(head);
        row.insertCell().textContent = value;
      });
      card.append(close, table);
      const n = disc.normal.subarray(3 * i, 3 * i + 3), u = square(n), v = cross(n, u), c = disc.centre.subarray(3 * i, 3 * i + 3);
      const ends = [];
      for (let k = 0; k < 48; k++) for (const step of [k, k + 1]) {
        const angle = 2 * Math.PI * step / 48, r = 1.15 * disc.radius[i];
        ends.push(...add(add(c, u, r * Math.cos(angle)), v, r * Math.sin(angle)));
      }
      ring = loaded(tubes(new Float32Array(ends), scene.colours.accent, Math.max(0.06 * disc.radius[i], 0.3 * scene.tube), 6), gl.TRIANGLES);
    }
    redraw();
  }

  // ---- hands ------------------------------------------------------------------------------------------------------
  const fingers = new Map();
  let moved = 0;
  const perPixel = () => 2 * camera.distance * Math.tan(lens / 2) / canvas.clientHeight;
  const turn = (dx, dy) => {
    camera.azimuth = (camera.azimuth + 0.3 * dx) % 360;
    camera.dip = Math.max(-90, Math.min(90, camera.dip - 0.3 * dy));
  };
  const shift = (dx, dy) => {
    const { right, up } = directions();
    camera.target = add(add(camera.target, right, -dx * perPixel()), up, dy * perPixel());
  };
  const nearer = (factor) => { camera.distance = Math.max(0.01 * reach, Math.min(20 * reach, camera.distance * factor)); };

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
      const other = [...fingers].find(([id]) => id !== event.pointerId)[1];
      const apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]) || 1;
      nearer(apart(before) / apart([event.clientX, event.clientY]));
      shift(dx / 2, dy / 2);
    } else if (event.shiftKey || event.buttons & 6) shift(dx, dy);
    else turn(dx, dy);
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
    redraw();
  });
  const lift = (event) => {
    if (fingers.delete(event.pointerId) && event.type === "pointerup" && moved < 5 && event.button === 0) {
      const box = canvas.getBoundingClientRect();
      show(pick(event.clientX - box.left, event.clientY - box.top));
    }
  };
  canvas.addEventListener("pointerup", lift);
  canvas.addEventListener("pointercancel", lift);
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => { event.preventDefault(); nearer(Math.exp(event.deltaY * 0.001)); redraw(); }, { passive: false });

  const views = {
    first,
    plan: { ...first, azimuth: 0, dip: -90 },
    north: { ...first, azimuth: 0, dip: 0 },
    west: { ...first, azimuth: -90, dip: 0 },
  };
  const go = (name) => { Object.assign(camera, views[name], { distance: away(views[name]) }); redraw(); };
  document.getElementById("views").addEventListener("click", (event) => { if (event.target.dataset.view) go(event.target.dataset.view); });
  const keys = {
    r: () => go("first"), p: () => go("plan"), n: () => go("north"), w: () => go("west"), Escape: () => show(-1),
    ArrowLeft: () => turn(-20, 0), ArrowRight: () => turn(20, 0), ArrowUp: () => turn(0, 20), ArrowDown: () => turn(0, -20),
    "+": () => nearer(0.85), "-": () => nearer(1 / 0.85),
  };
  window.addEventListener("keydown", (event) => {
    if (keys[event.key] && !event.ctrlKey && !event.metaKey) { keys[event.key](); redraw(); }
  });
  window.addEventListener("resize", redraw);
  canvas.addEventListener("webglcontextlost", (event) => { event.preventDefault(); location.reload(); });
  go("first");
})();
