// The box that searches the handbook, in the page itself: every word has to occur, titles count most.
"use strict";
(() => {
  const box = document.getElementById("search"), list = document.getElementById("found"), contents = document.getElementById("contents");
  const wide = window.matchMedia("(min-width: 761px)");
  const fold = () => { contents.open = wide.matches; };
  wide.addEventListener("change", fold);
  fold();
  const rank = ([, title, page, text], words) => {
    const names = title.toLowerCase(), about = page.toLowerCase(), all = `${names} ${about} ${text.toLowerCase()}`;
    if (!words.every((word) => all.includes(word))) return 0;
    return 1 + words.reduce((sum, word) => sum + (names === word ? 50 : 0) + (names.split(/[.\s]/).includes(word) ? 12 : 0) + (names.includes(word) ? 6 : 0) + (about.includes(word) ? 2 : 0), 0);
  };
  const near = (text, word) => {
    const at = Math.max(0, text.toLowerCase().indexOf(word) - 40);
    return (at ? "… " : "") + text.slice(at, at + 140);
  };
  const search = () => {
    const words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
    list.hidden = !words.length;
    const found = words.length ? window.HANDBOOK.map((row) => [rank(row, words), row]).filter(([r]) => r).sort((a, b) => b[0] - a[0]).slice(0, 12) : [];
    list.replaceChildren(...found.map(([, [address, title, page, text]]) => {
      const item = document.createElement("li"), link = document.createElement("a"), more = document.createElement("small");
      link.href = address;
      link.textContent = title === page ? title : `${title} (${page})`;
      more.textContent = near(text, words[0]);
      link.append(more);
      item.append(link);
      return item;
    }));
    if (words.length && !found.length) {
      const none = document.createElement("li");
      none.className = "none";
      none.textContent = "Nothing found. Fewer words, or another word?";
      list.append(none);
    }
  };
  box.addEventListener("input", search);
  box.addEventListener("keydown", (event) => { if (event.key === "Enter") list.querySelector("a")?.click(); });
  list.addEventListener("click", () => { list.hidden = true; });
  document.addEventListener("keydown", (event) => {
    if (event.key === "/" && document.activeElement !== box) { box.focus(); event.preventDefault(); }
    if (event.key === "Escape") { list.hidden = true; box.blur(); }
  });
})();
