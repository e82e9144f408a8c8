// A fault edge-on: how far each of its picks lies from where the others put it, along strike, in metres.
"use strict";
window.lowside = window.lowside || {};
(() => {
  const { lowside } = window;
  const WIDE = 640, HIGH = 150, LEFT = 52, RIGHT = 12, TOP = 10, BOTTOM = 30;

  const round = (span, parts) => {  // a step of 1, 2 or 5 that cuts a span into about so many parts
    const ten = 10 ** Math.floor(Math.log10(span / parts || 1));
    return [1, 2, 5, 10].find((n) => n * ten >= span / parts) * ten;
  };
  const steps = (low, high, step) => {
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) found.push(Number((k * step).toPrecision(6)));
    return found;
  };

  lowside.EdgeOn = {
    props: { fault: Object, names: Array },
    emits: ["see", "leave"],
    template: `<figure class="low-chart" :aria-label="'Picks of ' + fault.id + ' along strike'">
      <figcaption><b>{{ fault.id }}</b> edge-on: metres from where the other holes put it, ± 1 σ; the band is what is known of the fault
        <span class="low-row"><button type="button" class="low-button" title="Key G" @click="turn(-1)">◂</button><button type="button" class="low-button" title="Key F" @click="turn(1)">▸</button><button type="button" class="low-button" title="Escape" @click="$emit('leave')">all faults</button></span></figcaption>
      <svg viewBox="0 0 ${WIDE} ${HIGH}" role="group" aria-label="Distance from the fault along strike">
        <g class="grid"><line v-for="y in levels" :key="'y' + y" :x1="${LEFT}" :x2="${WIDE - RIGHT}" :y1="up(y)" :y2="up(y)" :class="{ zero: !y }"/></g>
        <path class="band" :d="band" :fill="fault.colour"/>
        <g class="axis"><text v-for="y in levels" :key="y" :x="${LEFT - 6}" :y="up(y)" class="left">{{ y > 0 ? "+" + y : String(y).replace("-", "−") }} m</text>
          <text v-for="x in places" :key="x" :x="across(x)" :y="${HIGH - BOTTOM + 14}">{{ String(x).replace("-", "−") }}</text>
          <text :x="${(WIDE + LEFT) / 2}" :y="${HIGH - 3}">metres along strike {{ String(Math.round(fault.strike) % 360).padStart(3, "0") }}°</text></g>
        <g v-for="p in fault.picks" :key="p.id" class="pick" :class="{ out: p.out }" tabindex="0" role="button" :aria-label="p.hole + ' ' + said(p)" @click="choose(p)" @keydown.enter="choose(p)">
          <line :x1="across(p.along)" :x2="across(p.along)" :y1="up(p.off - p.sigma)" :y2="up(p.off + p.sigma)"/>
          <circle :cx="across(p.along)" :cy="up(p.off)" r="4.5" :fill="fault.colour"/><title>{{ p.hole }} {{ p.id }}: {{ said(p) }}</title></g>
        <text v-for="p in written" :key="'t' + p.id" class="name" :class="{ out: p.out }" :x="across(p.along) + 7" :y="up(p.off) - 4">{{ p.hole }}{{ p.out ? " " + said(p) : "" }}</text>
      </svg></figure>`,
    computed: {
      reach() { return 1.15 * Math.max(0.5, ...this.fault.picks.map((p) => Math.abs(p.off) + p.sigma)); },
      ends() { const all = this.fault.picks.map((p) => p.along), low = Math.min(...all), high = Math.max(...all), room = 0.06 * (high - low || 10); return [low - room, high + 2 * room]; },
      levels() { return steps(-this.reach, this.reach, round(2 * this.reach, 4)); },
      places() { return steps(...this.ends, round(this.ends[1] - this.ends[0], 6)); },
      band() {
        const top = this.fault.band.map(([x, s]) => `${this.across(x)} ${this.up(s)}`), low = this.fault.band.map(([x, s]) => `${this.across(x)} ${this.up(-s)}`).reverse();
        return `M${[...top, ...low].join("L")}Z`;
      },
      written() {  // names where there is room, those out of line first
        const kept = [];
        for (const p of [...this.fault.picks].sort((a, b) => b.out - a.out || Math.abs(b.off) - Math.abs(a.off))) {
          const x = this.across(p.along), y = this.up(p.off), wide = p.out ? 130 : 52;
          if (x + wide > WIDE + 20 && !p.out) continue;
          if (kept.every(([a, b, w]) => Math.abs(b - y) > 12 || x > a + w || a > x + wide)) kept.push([x, y, wide, p]);
        }
        return kept.map((one) => one[3]);
      },
    },
    methods: {
      across(x) { const [low, high] = this.ends; return LEFT + (x - low) / (high - low) * (WIDE - LEFT - RIGHT); },
      up(y) { return TOP + (this.reach - y) / (2 * this.reach) * (HIGH - TOP - BOTTOM); },
      said(p) { return `${p.off >= 0 ? "+" : "−"}${Math.abs(p.off).toFixed(1)} m ± ${p.sigma.toFixed(1)}`; },
      choose(p) { lowside.ask("pick_name", [p.id]); },
      turn(by) { this.$emit("see", this.names[(this.names.indexOf(this.fault.id) + by + this.names.length) % this.names.length]); },
    },
  };
})();
