// Tables sort, filter and unfold in place; sections open for links into them and for paper.
function setUpTables() {
  for (const table of document.querySelectorAll("table.data")) {
    const body = table.tBodies[0], box = table.parentNode, note = box.nextElementSibling;
    const rest = note && note.classList.contains("hiddenrows") ? note.nextElementSibling : null;
    if (body.rows.length < 3 && !rest) continue;
    let order = [...body.rows];
    const unfold = () => {
      if (!rest || !rest.content.firstChild) return;
      const fresh = [...rest.content.querySelectorAll("tr")];
      body.append(rest.content);
      order = [...order, ...fresh];
      note.hidden = !note.dataset.left;
      if (note.dataset.left) note.textContent = note.dataset.left;
    };
    if (rest) {
      const count = rest.content.querySelectorAll("tr").length, all = parseInt(note.textContent.replace(/,/g, ""), 10);
      if (all > count) note.dataset.left = `${(all - count).toLocaleString("en")} more ` + note.textContent.replace(/^[\d,]+ more /, "");
      const open = el("button", {type: "button", class: "more unfold"}, `Show ${count.toLocaleString("en")} more here`);
      open.addEventListener("click", () => { unfold(); open.remove(); });
      note.append(" ", open);
    }
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((th, c) => {
      const button = el("button", {type: "button", class: "sort"}, th.textContent);
      th.textContent = "";
      th.append(button);
      button.addEventListener("click", () => {
        unfold();
        if (note && note.querySelector && note.querySelector(".unfold")) note.querySelector(".unfold").remove();
        const down = th.getAttribute("aria-sort") === "ascending";
        heads.forEach(x => x.removeAttribute("aria-sort"));
        th.setAttribute("aria-sort", down ? "descending" : "ascending");
        const keyed = order.map((row, n) => [row.cells[c] ? row.cells[c].textContent.trim() : "", n, row]);
        const number = t => /^[-+]?[\d.,]+(?:e[-+]?\d+)?(?=\s|%|$)/i.test(t) ? parseFloat(t.replace(/,/g, "")) : NaN;
        const by = ([a, m], [b, n]) => {
          const x = number(a), y = number(b);
          if (isNaN(x) !== isNaN(y)) return isNaN(x) - isNaN(y);
          return (isNaN(x) ? a.localeCompare(b, "en") : x - y) * (down ? -1 : 1) || m - n;
        };
        body.append(...keyed.sort(by).map(k => k[2]));
      });
    });
    if (order.length + (rest ? 1 : 0) < 9 || table.closest("#board")) continue;
    const tools = el("div", {class: "controls screen"}), label = el("label", {}, "Filter "), input = el("input", {type: "search", autocomplete: "off"});
    const output = el("output", {"aria-live": "polite"});
    input.setAttribute("aria-label", "Filter: " + table.caption.textContent);
    label.append(input);
    tools.append(label, output);
    box.before(tools);
    input.addEventListener("input", () => {
      unfold();
      const open = note && note.querySelector && note.querySelector(".unfold");
      if (open) open.remove();
      const asked = input.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const row of order) {
        const text = (row.textContent + " " + [...row.querySelectorAll("[data-cases]")].map(b => b.dataset.cases).join(" ")).toLowerCase();
        row.hidden = !asked.every(w => text.includes(w));
        shown += !row.hidden;
      }
      output.textContent = asked.length ? `${shown} of ${order.length} rows` : "";
    });
  }
  document.addEventListener("click", event => {
    const more = event.target.closest ? event.target.closest(".more[data-cases]") : null;
    if (!more) return;
    const links = more.dataset.cases.split(";").map(one => el("a", {class: "caselink", href: "#case=" + one}, one.split(",").join(" + ")));
    more.replaceWith(...links.flatMap(a => [", ", a]));
  });
}

// A link into a folded section opens it.
function openFor(id) {
  for (let at = document.getElementById(id); at; at = at.parentElement) {
    const body = at.tagName === "SECTION" ? at.querySelector("details.body") : at.tagName === "DETAILS" ? at : null;
    if (body) body.open = true;
  }
}

function setUpFolds() {
  const narrow = window.matchMedia("(max-width: 75rem)");
  if (narrow.matches) $("contents").open = false;
  if (window.matchMedia("(max-width: 34rem)").matches)
    for (const body of document.querySelectorAll("section:not(#board):not(#verdict)>details.body")) body.open = false;
  const follow = () => {
    const id = location.hash.slice(1);
    if (id.startsWith("case=")) openFor("explore");
    else if (id && document.getElementById(id)) { openFor(id); document.getElementById(id).scrollIntoView(); }
  };
  window.addEventListener("hashchange", follow);
  document.querySelector("nav").addEventListener("click", event => {
    if (event.target.tagName === "A") { openFor(event.target.hash.slice(1)); if (narrow.matches) $("contents").open = false; }
  });
  window.addEventListener("beforeprint", () => {
    for (const d of document.querySelectorAll("details.body")) d.open = true;
  });
  follow();
}
