// What a pixel of a space (space.js) shows, by exact geometry: the line of sight through it against discs, tubes, sheets.
// Coordinates are local metres (east, north, up).
"use strict";
window.lowside = window.lowside || {};
(() => {
  const { lowside } = window;  // space.js may be loaded after this file: what it brings is looked up when it is used

  function sight(space, x, y) {  // start and direction of the line of sight through a pixel, with the vertical scale taken out
    const { add, unit } = lowside.vectors, { ahead, right, up, eye } = space.directions(), { camera } = space, half = Math.tan(space.lens / 2);
    const across = (2 * x / space.canvas.clientWidth - 1 - space.aside) * half * space.wide, high = (1 - 2 * y / space.canvas.clientHeight - space.lift) * half;
    const start = camera.parallel ? add(add(add(eye, right, across * camera.distance), up, high * camera.distance), ahead, -4 * space.scene.reach) : eye;
    const along = camera.parallel ? ahead : add(add(ahead, right, across), up, high);
    const level = (v) => [v[0], v[1], v[2] / space.how.stretch];
    return { start: level(start), along: unit(level(along)) };
  }

  function under(space, x, y) {  // what a pixel shows: { what, index, at }
    // Discs and holes come first, the nearest of them; then sleeves, which can be seen through; then a hole close by, for
    // tubes are thin; then the sheet of a fault, through which all of these are seen.
    const line = sight(space, x, y), { disc, drilled, sleeves, sheets, tube } = solid(space);
    const plate = meetDiscs(space, line, disc), hole = meetTubes(space, line, drilled, tube, "hole");
    if (hole && !(plate && hole.s > plate.s - disc.radius[plate.index])) return hole;  // a disc's own hole doesn't hide it
    if (plate) return plate;
    const sleeve = meetTubes(space, line, sleeves, space.scene.sleeves[0]?.radius, "window");
    if (sleeve) return sleeve;
    const piece = holeNear(space, x, y);
    if (piece >= 0) return { what: "hole", index: piece, at: null };
    return meetSheets(space, line, sheets) || { what: "nothing", index: -1, at: null };
  }

  function solid(space) {  // the scene as numbers to calculate with, made when they are first asked for
    const { scene } = space, { floats, bytes } = lowside;
    scene.solid = scene.solid || {
      disc: scene.disc, tube: scene.tube, drilled: scene.drilled.points || floats(scene.drilled.ends),
      sleeves: Float32Array.from(scene.sleeves.flatMap((part) => [...floats(part.ends)])),
      sheets: scene.sheets.filter((mesh) => mesh.what === "fault").map((mesh) => ({
        points: floats(mesh.points), triangles: new Uint32Array(bytes(mesh.triangles).buffer),
      })),
    };
    return scene.solid;
  }

  function meetDiscs(space, { start, along }, { centre, normal, radius }) {
    const [x, y, z] = start, [a, b, c] = along;
    let found = null, least = Infinity;
    for (let i = 0, k = 0; i < radius.length; i++, k += 3) {  // plain numbers: a scene may have a million discs
      const u = centre[k] - x, v = centre[k + 1] - y, w = centre[k + 2] - z;
      const s = (normal[k] * u + normal[k + 1] * v + normal[k + 2] * w) / (normal[k] * a + normal[k + 1] * b + normal[k + 2] * c);
      if (!(s > 0 && s < least) || (s * a - u) ** 2 + (s * b - v) ** 2 + (s * c - w) ** 2 > radius[i] ** 2) continue;
      const p = [start[0] + s * along[0], start[1] + s * along[1], start[2] + s * along[2]];
      if (space.cutAway(p)) continue;
      least = s;
      found = { what: "disc", index: i, at: p, s };
    }
    return found;
  }

  function meetTubes(space, { start, along }, ends, radius, what) {  // round segments: where line and axis pass each other nearest
    const [x, y, z] = start, [a, b, c] = along;
    let found = null, least = Infinity;
    for (let i = 0, k = 0; k < ends.length; i++, k += 6) {
      const u = ends[k] - x, v = ends[k + 1] - y, w = ends[k + 2] - z, d = ends[k + 3] - ends[k], e = ends[k + 4] - ends[k + 1], f = ends[k + 5] - ends[k + 2];
      const dd = d * d + e * e + f * f, ad = a * d + b * e + c * f, slant = dd - ad * ad;
      const t = slant > 1e-9 * dd ? Math.max(0, Math.min(1, (ad * (a * u + b * v + c * w) - (d * u + e * v + f * w)) / slant)) : 0;
      const p = u + t * d, q = v + t * e, r = w + t * f, s = a * p + b * q + c * r;
      if (!(s > 0 && s - radius < least) || (s * a - p) ** 2 + (s * b - q) ** 2 + (s * c - r) ** 2 > radius ** 2) continue;
      const at = [x + p, y + q, z + r];
      if (space.cutAway(at)) continue;
      least = s - radius;
      found = { what, index: i, at, s: least };
    }
    return found;
  }

  function meetSheets(space, { start, along }, sheets) {  // Moller and Trumbore 1997: line and triangle
    const [a, b, c] = along;
    let found = null, least = Infinity;
    sheets.forEach(({ points, triangles }, index) => {
      for (let k = 0; k < triangles.length; k += 3) {
        const o = 3 * triangles[k], m = 3 * triangles[k + 1], n = 3 * triangles[k + 2], x = points[o], y = points[o + 1], z = points[o + 2];
        const ex = points[m] - x, ey = points[m + 1] - y, ez = points[m + 2] - z, fx = points[n] - x, fy = points[n + 1] - y, fz = points[n + 2] - z;
        const hx = b * fz - c * fy, hy = c * fx - a * fz, hz = a * fy - b * fx, size = ex * hx + ey * hy + ez * hz;
        const wx = start[0] - x, wy = start[1] - y, wz = start[2] - z, u = (wx * hx + wy * hy + wz * hz) / size;
        if (!(u >= 0 && u <= 1)) continue;
        const qx = wy * ez - wz * ey, qy = wz * ex - wx * ez, qz = wx * ey - wy * ex;
        const v = (a * qx + b * qy + c * qz) / size, s = (fx * qx + fy * qy + fz * qz) / size;
        if (!(v >= 0 && u + v <= 1 && s > 0 && s < least)) continue;
        const p = [start[0] + s * along[0], start[1] + s * along[1], start[2] + s * along[2]];
        if (space.cutAway(p)) continue;
        least = s;
        found = { what: "fault", index, at: p, s };
      }
    });
    return found;
  }

  function holeNear(space, x, y, within = 8) {  // the piece of hole nearest to a pixel: its number, or -1
    const { third } = lowside.vectors, view = space.projection(), ends = solid(space).drilled;
    let best = -1, least = within;
    for (let i = 0; i < ends.length / 6; i++) {
      const from = third(ends, 2 * i), to = third(ends, 2 * i + 1);
      if (space.cutAway(from) && space.cutAway(to)) continue;
      const a = space.onScreen(view, from), b = space.onScreen(view, to);
      if (!a || !b) continue;
      const d = [b[0] - a[0], b[1] - a[1]], share = Math.max(0, Math.min(1, ((x - a[0]) * d[0] + (y - a[1]) * d[1]) / (d[0] ** 2 + d[1] ** 2 || 1)));
      const away = Math.hypot(x - a[0] - share * d[0], y - a[1] - share * d[1]);
      if (away < least) { least = away; best = i; }
    }
    return best;
  }

  Object.assign(lowside, { sight, under });
})();
