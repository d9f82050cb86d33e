// Drawings: copies of the one layout, painted by class.
const layout = document.querySelector("#layout").content.querySelector("svg");
const marks = svgEl("svg", {width: 0, height: 0, "aria-hidden": "true"});
marks.append(layout.querySelector("defs"));
document.body.append(marks);
const size = layout.getAttribute("viewBox").split(" ").map(Number);
const looks = Object.keys(data.looks);

function copy(side) {
  const svg = layout.cloneNode(true);
  svg.removeAttribute("width");
  svg.removeAttribute("height");
  svg.setAttribute("aria-label", "Drawing of the system, " + side);
  const boxes = [], lines = [], rects = [];
  for (const g of svg.querySelectorAll(".box")) {
    const n = +g.dataset.n, change = data.boxes[n][3], halo = g.querySelector(".halo");
    const onSide = change === "removed" ? "before" : "after";
    if (halo) {
      if (onSide !== side) halo.remove();
      else {
        const r = halo.querySelector("rect");
        g.append(svgEl("use", {href: "#m-" + change, x: +r.getAttribute("x") + 4, y: +r.getAttribute("y") + 4}));
      }
    }
    rects[n] = (([x, y, width, height]) => ({x, y, width, height}))(g.dataset.r.split(" ").map(Number));
    boxes[n] = {g, x: +g.dataset.x, y: +g.dataset.y, mark: null, tripped: null, look: ""};
  }
  for (const g of svg.querySelectorAll(".line")) {
    const n = +g.dataset.n;
    if (g.dataset.change === side) {
      const under = g.querySelector("path").cloneNode(true);
      under.setAttribute("class", side === "after" ? "under" : "under gone");
      g.prepend(under);
    }
    lines[n] = g;
  }
  return {svg, boxes, lines, rects, side, lineLooks: [], said: []};
}

function paint(drawing, boxLooks, lineLooks) {
  boxLooks.forEach(([look, tripped], n) => {
    const b = drawing.boxes[n], state = look + (tripped ? "*" : "");
    if (b.look === state) return;
    b.look = state;
    b.g.setAttribute("class", "box s-" + look + (b.g.classList.contains("here") ? " here" : ""));
    if (b.mark) b.mark.remove();
    if (b.tripped) b.tripped.remove();
    b.mark = b.tripped = null;
    const mark = data.looks[look][2];
    if (mark) b.g.append(b.mark = svgEl("use", {href: "#m-" + mark, x: b.x, y: b.y}));
    if (tripped) b.g.append(b.tripped = svgEl("use", {href: "#m-tripped", x: b.x - 14, y: b.y}));
  });
  lineLooks.forEach((look, n) => {
    if (drawing.lineLooks[n] === look) return;
    drawing.lineLooks[n] = look;
    drawing.lines[n].setAttribute("class", "line l-" + look);
  });
}

function frameOf(...several) {
  let x = Infinity, y = Infinity, right = -Infinity, bottom = -Infinity;
  for (const [drawing, boxLooks] of several)
    boxLooks.forEach(([look], n) => {
      if (look === "live" || look === "idle" || look === "open" || look === "absent") return;
      const b = drawing.rects[n];
      x = Math.min(x, b.x); y = Math.min(y, b.y);
      right = Math.max(right, b.x + b.width); bottom = Math.max(bottom, b.y + b.height);
    });
  if (x === Infinity) return size;
  const pad = 34, x0 = Math.max(0, x - pad), y0 = Math.max(0, y - pad);
  return [x0, y0, Math.min(size[2], right + pad) - x0, Math.min(size[3], bottom + pad) - y0];
}

// What lies outside the frame is left out: a page holds many drawings.
function prune(drawing, [x, y, width, height]) {
  const outside = (left, top, right, bottom) => right < x || bottom < y || left > x + width || top > y + height;
  drawing.rects.forEach((r, n) => {
    if (outside(r.x - 9, r.y - 9, r.x + r.width + 9, r.y + r.height + 9)) drawing.boxes[n].g.remove();
  });
  for (const line of drawing.lines) {
    const at = line.querySelector("path").getAttribute("d").match(/-?[\d.]+/g).map(Number);
    const xs = at.filter((_, i) => i % 2 === 0), ys = at.filter((_, i) => i % 2 === 1);
    if (outside(Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys))) line.remove();
  }
}

// Drawings of the cases: painted when they come near the window, all of them before printing.
function paintSlot(slot) {
  if (slot.dataset.done) return;
  slot.dataset.done = "1";
  const number = +slot.dataset.drawn, side = slot.dataset.side, entry = data.drawn[number + 1];
  const [boxes, lines] = entry[side], drawing = copy(side);
  paint(drawing, boxes.map(c => [looks[c >> 1], c & 1]), lines.map(c => data.lineNames[c]));
  const frame = number < 0 ? size : entry.frame;
  prune(drawing, frame);
  drawing.svg.setAttribute("viewBox", frame.join(" "));
  drawing.svg.setAttribute("aria-label", capital(side) + ": " + (entry.failed.join(" and ") || "nothing") + " failed");
  slot.querySelector(".room").replaceChildren(drawing.svg);
}
const slots = [...document.querySelectorAll(".slot[data-drawn]")];
const near = new IntersectionObserver(found => found.forEach(f => {
  if (f.isIntersecting) { near.unobserve(f.target); paintSlot(f.target); }
}), {rootMargin: "600px"});
slots.forEach(s => {
  // The place is kept free, so that nothing moves when a drawing appears.
  const [, , width, height] = +s.dataset.drawn < 0 ? size : data.drawn[+s.dataset.drawn + 1].frame;
  const room = el("div", {class: "room"});
  room.style.aspectRatio = `${width} / ${height}`;
  room.style.maxWidth = Math.round(1.15 * width) + "px";
  s.append(room);
  if (width < 620) s.parentNode.classList.add("narrow");
  near.observe(s);
});
window.addEventListener("beforeprint", () => slots.forEach(paintSlot));

for (const place of document.querySelectorAll(".legend"))
  for (const name of looks) {
    const [word, about, mark] = data.looks[name], item = el("span", {title: about});
    const svg = svgEl("svg", {width: 40, height: 22, viewBox: "-2 -7 42 24", "aria-hidden": "true"});
    const g = svgEl("g", {class: "s-" + name}), inner = svgEl("g", {});
    inner.append(svgEl("rect", {width: 30, height: 13}));
    g.append(inner);
    if (mark) g.append(svgEl("use", {href: "#m-" + mark, x: 29, y: 1}));
    svg.append(g);
    item.append(svg, word);
    place.append(item);
  }
