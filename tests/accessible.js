// Faults of a page that keep people from using it; see accessible.py. Returns a list of strings.
(least) => {
  const found = [];
  const all = (selector, from = document) => [...from.querySelectorAll(selector)];
  const HINT = ["place", "holder"].join(""); // the grey words in a field that is empty
  const clean = (text) => (text || "").replace(/\s+/g, " ").trim();
  const opened = all("details:not([open])");
  opened.forEach((x) => { x.open = true; });

  const style = (node) => getComputedStyle(node);
  const rendered = (node) => {
    if (!node.getClientRects().length || style(node).visibility !== "visible") return false;
    const box = node.getBoundingClientRect();
    return box.width > 0 && box.height > 0;
  };
  const faded = (node) => {
    let opacity = 1;
    for (let at = node; at; at = at.parentElement) opacity *= Number(style(at).opacity);
    return opacity;
  };
  const unseen = (node) => { // only for a screen reader, as such texts are hidden by habit
    for (let at = node; at; at = at.parentElement) {
      const s = style(at), box = at.getBoundingClientRect();
      if (s.clip === "rect(0px, 0px, 0px, 0px)" || s.clipPath === "inset(50%)") return true;
      if (s.overflow === "hidden" && box.width <= 1.5 && box.height <= 1.5) return true;
    }
    return faded(node) < 0.02;
  };
  const spoken = (node) => !node.closest("[aria-hidden=true], [inert]") && rendered(node);
  const where = (node) => {
    const id = node.id ? `#${node.id}` : "";
    const kind = typeof node.className === "string" && node.className.trim() && !id
      ? `.${node.className.trim().split(/\s+/)[0]}` : "";
    const text = clean(node.textContent).slice(0, 40);
    const of = node.parentElement && !id && !text ? ` in ${node.parentElement.localName}` : "";
    return `<${node.localName}${id}${kind}>${of}${text ? ` "${text}"` : ""}`;
  };
  const fault = (rule, node, detail = "") =>
    found.push(`${rule}: ${node ? where(node) : "page"}${detail ? ` ${detail}` : ""}`);

  // What a thing is called: the order of the W3C's accessible name computation 1.2, in short.
  const saidIn = (node) => {
    if (node.nodeType === 3) return node.textContent;
    if (node.nodeType !== 1 || node.getAttribute("aria-hidden") === "true") return "";
    if (clean(node.getAttribute("aria-label"))) return node.getAttribute("aria-label");
    if (node.localName === "img") return node.alt || "";
    if (node.localName === "style" || node.localName === "script") return "";
    if (style(node).display === "none") return "";
    return [...node.childNodes].map(saidIn).join(" ");
  };
  const byIds = (ids) => clean(ids.split(/\s+/).map((id) => {
    const at = document.getElementById(id);
    return at ? at.getAttribute("aria-label") || at.textContent : "";
  }).join(" "));
  const called = (node) => {
    const ids = node.getAttribute("aria-labelledby");
    if (ids && byIds(ids)) return byIds(ids);
    if (clean(node.getAttribute("aria-label"))) return clean(node.getAttribute("aria-label"));
    if (node.labels && node.labels.length) {
      const words = clean([...node.labels].map(saidIn).join(" "));
      if (words) return words;
    }
    const own = { img: "alt", area: "alt" }[node.localName];
    if (own && clean(node.getAttribute(own))) return clean(node.getAttribute(own));
    if (node.localName === "input") {
      const kind = node.type;
      if (kind === "submit" || kind === "reset") return node.value || kind;
      if (kind === "button" && clean(node.value)) return clean(node.value);
      if (kind === "image" && clean(node.alt)) return clean(node.alt);
    } else if (node.localName === "svg" || node.namespaceURI.endsWith("svg")) {
      const title = [...node.children].find((x) => x.localName === "title");
      if (title && clean(title.textContent)) return clean(title.textContent);
    } else if (!["textarea", "select", "img", "iframe"].includes(node.localName)) {
      if (clean(saidIn(node))) return clean(saidIn(node));
    }
    return clean(node.getAttribute("title"));
  };

  // Contrast: WCAG 2.2, "relative luminance" and "contrast ratio".
  const one = document.createElement("canvas");
  one.width = one.height = 1;
  const brush = one.getContext("2d", { willReadFrequently: true });
  const known = new Map();
  const colour = (text) => {
    if (!known.has(text)) {
      brush.clearRect(0, 0, 1, 1);
      brush.fillStyle = text;
      brush.fillRect(0, 0, 1, 1);
      known.set(text, [...brush.getImageData(0, 0, 1, 1).data].map((x) => x / 255));
    }
    return known.get(text);
  };
  const over = (above, below, share = above[3]) =>
    [0, 1, 2].map((k) => above[k] * share + below[k] * (1 - share)).concat([1]);
  const light = (c) => {
    const v = c.slice(0, 3).map((x) => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
    return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2];
  };
  const paper = (() => { // what the browser itself puts behind a page
    const probe = document.createElement("div");
    probe.style.backgroundColor = "Canvas";
    document.body.append(probe);
    const seen = colour(style(probe).backgroundColor);
    probe.remove();
    return seen;
  })();
  const ground = (node) => { // null where a picture lies behind, whose colours are not known
    const layers = [];
    for (let at = node; at; at = at.parentElement) {
      const s = style(at), c = colour(s.backgroundColor);
      if (s.backgroundImage !== "none") return null;
      if (c[3] > 0) layers.push(over(c, c, 1).slice(0, 3).concat([c[3] * Number(s.opacity)]));
      if (c[3] === 1 && Number(s.opacity) === 1) break;
    }
    return layers.reverse().reduce((below, above) => over(above, below), paper);
  };
  const contrast = (node, ink, what) => {
    const below = ground(node);
    if (!below) return;
    const c = colour(ink), seen = over(c, below, c[3] * faded(node));
    const [a, b] = [light(seen), light(below)];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < least) fault("contrast", node, `${what}${ratio.toFixed(2)} : 1`);
  };
  const idle = (node) => node.closest(":disabled, [aria-disabled=true], [inert]") !== null;
  all("body *").forEach((node) => {
    if (["script", "style", "title", "noscript", "template"].includes(node.localName)) return;
    if (!rendered(node) || idle(node) || unseen(node)) return;
    const s = style(node);
    const text = [...node.childNodes].some((x) => x.nodeType === 3 && clean(x.textContent));
    if (text) contrast(node, node.namespaceURI.endsWith("svg") ? s.fill : s.color, "");
    if (["input", "textarea"].includes(node.localName) && node.value) contrast(node, s.color, "");
    if (node.getAttribute(HINT)) {
      const shown = getComputedStyle(node, `::${HINT}`);
      if (Number(shown.opacity) > 0) contrast(node, shown.color, "hint ");
    }
  });

  // The page as a whole.
  if (!clean(document.title)) fault("title", null);
  all("html, [lang]").forEach((node) => {
    if (!/^[a-z]{2,3}(-[a-z0-9]{2,8})*$/i.test(node.lang)) fault("language", node, `"${node.lang}"`);
  });
  const ids = new Map();
  all("[id]").forEach((x) => ids.set(x.id, (ids.get(x.id) || 0) + 1));
  ids.forEach((count, id) => { if (count > 1) fault("id used twice", null, `#${id}`); });
  all("meta[name=viewport]").forEach((node) => {
    const most = node.content.match(/maximum-scale\s*=\s*([\d.]+)/);
    if (/user-scalable\s*=\s*(no|0)/.test(node.content) || (most && Number(most[1]) < 2)) {
      fault("cannot be enlarged", null, node.content);
    }
  });
  if (document.querySelector("meta[http-equiv=refresh]")) fault("reloads by itself", null);
  if (document.body.getAttribute("aria-hidden") === "true") fault("page is hidden", document.body);

  // Headings.
  let level = 0;
  all("h1, h2, h3, h4, h5, h6, [role=heading]").filter(spoken).forEach((node) => {
    const own = Number(node.getAttribute("aria-level") || node.localName.slice(1)) || 2;
    if (own > level + 1) fault("heading order", node, `level ${own} after ${level}`);
    if (!called(node)) fault("empty heading", node);
    level = own;
  });
  if (!level) fault("no heading", null);

  // Tables: real ones with headers; lists.
  all("table").filter((x) => spoken(x) && !/^(presentation|none)$/.test(x.getAttribute("role") || ""))
    .forEach((node) => {
      const heads = all("th, [role=columnheader], [role=rowheader]", node);
      if (!heads.some((x) => clean(saidIn(x)))) fault("table without headers", node);
      heads.forEach((x) => {
        if (x.scope && !["col", "row", "colgroup", "rowgroup"].includes(x.scope)) {
          fault("scope of a header", x, x.scope);
        }
        if (!called(x)) fault("empty header", x);
      });
    });
  const kinds = (node) => [...node.children].filter(
    (x) => !["script", "template", "style"].includes(x.localName) && !x.getAttribute("role"));
  all("ul, ol, menu").filter((x) => !x.getAttribute("role")).forEach((node) => {
    kinds(node).forEach((x) => { if (x.localName !== "li") fault("list holds", x); });
  });
  all("dl").filter((x) => !x.getAttribute("role")).forEach((node) => {
    kinds(node).forEach((x) => {
      if (!["dt", "dd", "div"].includes(x.localName)) fault("list of terms holds", x);
    });
  });
  all("li").forEach((x) => {
    if (!x.getAttribute("role") && !x.parentElement.matches("ul, ol, menu, [role=list]")) {
      fault("item of no list", x);
    }
  });
  all("dt, dd").forEach((x) => { if (!x.closest("dl")) fault("term of no list", x); });

  // Pictures, and whatever else is worked or read needs a name.
  all("img, svg, canvas, area, object, [role=img]").filter(spoken).forEach((node) => {
    if (/^(presentation|none)$/.test(node.getAttribute("role") || "")) return;
    if (node.localName === "img" && node.getAttribute("alt") === "" && !node.title) return;
    if (node.parentElement.closest("svg, [role=img]")) return;
    if (node.localName === "svg" && node.closest("a, button, [role=button]")) return;
    if (!called(node)) fault("picture without words", node);
  });
  all("iframe, frame").filter(spoken).forEach((x) => {
    if (!called(x)) fault("frame without a title", x);
  });
  const work = "a[href], button, input:not([type=hidden]), select, textarea, summary, [role=button]," +
    " [role=link], [role=checkbox], [role=radio], [role=switch], [role=tab], [role=menuitem]," +
    " [role=option], [role=slider], [role=spinbutton], [role=combobox], [role=listbox]," +
    " [role=textbox], [role=searchbox], [role=progressbar], [role=meter], [role=dialog]," +
    " [role=alertdialog], dialog[open], progress, meter";
  const working = all(work).filter(spoken);
  working.forEach((node) => {
    if (node.localName === "input" && node.closest("[role=checkbox], [role=radio], [role=switch]")) return;
    if (!called(node)) fault("without a name", node, node.type ? `(${node.type})` : "");
  });

  // Keyboard and pointer.
  const keyed = "a[href], button, input:not([type=hidden]), select, textarea, summary, iframe, [tabindex]";
  const reached = (x) => x.tabIndex >= 0 && !x.matches(":disabled") && rendered(x);
  all("[tabindex]").forEach((x) => { if (x.tabIndex > 0) fault("tabindex above 0", x); });
  all("[aria-hidden=true]").forEach((node) => {
    [node, ...all(keyed, node)].filter((x) => x.matches(keyed) && reached(x))
      .forEach((x) => fault("hidden but reached by keys", x));
  });
  const hands = "a[href], button, [role=button], [role=link], [role=checkbox], [role=switch]," +
    " [role=tab], summary";
  all(hands).filter(spoken).forEach((node) => {
    all(keyed, node).filter(reached).forEach((x) => fault("one control in another", x));
  });
  all("[role=button], [role=link], [role=checkbox], [role=switch], [role=slider], [onclick]")
    .filter(spoken).forEach((x) => {
      if (!idle(x) && x.tabIndex < 0 && !x.hasAttribute("tabindex")) fault("no key reaches", x);
    });
  all("body *").filter(rendered).forEach((node) => {
    const s = style(node);
    const scrolls = (how, more) => /auto|scroll/.test(how) && more > 1;
    const across = scrolls(s.overflowX, node.scrollWidth - node.clientWidth);
    const down = scrolls(s.overflowY, node.scrollHeight - node.clientHeight);
    if (!(across || down) || node.matches("textarea, select")) return;
    if (node.hasAttribute("tabindex") ? node.tabIndex >= 0 : false) return;
    if (!all(keyed, node).some(reached)) fault("scrolls, and no key reaches it", node);
  });
  const inText = (x) => x.localName === "a" && clean(x.parentElement.textContent) !== clean(x.textContent);
  const boxes = working.filter((x) => !idle(x) && !x.matches("dialog, [role=dialog], progress, meter," +
    " [role=progressbar], [role=meter], [role=alertdialog], [role=listbox]") && !unseen(x))
    .map((x) => [x, x.getBoundingClientRect()]);
  boxes.forEach(([node, box]) => { // WCAG 2.2, 2.5.8: 24 px, or 24 px of room about its middle
    if (box.width >= 24 && box.height >= 24 || inText(node)) return;
    const x = box.x + box.width / 2, y = box.y + box.height / 2;
    const near = boxes.find(([other, b]) => {
      if (other === node || other.contains(node) || node.contains(other)) return false;
      const small = b.width < 24 || b.height < 24;
      const away = small && !inText(other)
        ? Math.hypot(b.x + b.width / 2 - x, b.y + b.height / 2 - y) - 12
        : Math.hypot(Math.max(b.x - x, 0, x - b.right), Math.max(b.y - y, 0, y - b.bottom));
      return away < 11.9;
    });
    if (near) fault("too small a target", node, `${box.width.toFixed(0)} x ${box.height.toFixed(0)} px`);
  });
  all("p a[href], li a[href], td a[href]").filter(spoken).forEach((node) => {
    const s = style(node), of = style(node.parentElement);
    if (clean(node.parentElement.textContent) === clean(node.textContent)) return;
    const told = s.textDecorationLine !== "none" || s.fontWeight !== of.fontWeight
      || s.borderBottomStyle !== "none" || s.backgroundColor !== of.backgroundColor;
    if (!told) fault("link told by its colour alone", node);
  });

  // ARIA: names, places that are pointed at, states that a role must tell.
  const NEEDS = { checkbox: "checked", radio: "checked", switch: "checked", heading: "level",
    slider: "valuenow", combobox: "expanded", option: "", meter: "valuenow" };
  all("*").forEach((node) => {
    [...node.attributes].forEach(({ name, value }) => {
      if (/^aria-(labelledby|describedby|controls|owns|activedescendant|errormessage)$/.test(name)) {
        const lost = value.split(/\s+/).filter((id) => id && !document.getElementById(id));
        const needed = /labelledby|describedby|activedescendant/.test(name);
        if (needed && lost.length) fault("points nowhere", node, `${name}="${value}"`);
      } else if (name.startsWith("aria-")) {
        const property = name.replace(/^aria-(.)/, (_, x) => `aria${x.toUpperCase()}`);
        const like = Object.getOwnPropertyNames(Element.prototype)
          .some((x) => x.toLowerCase() === property.toLowerCase());
        const other = /^aria-(flowto|details|dropeffect|grabbed)$/.test(name);
        if (!like && !other) fault("no such attribute", node, name);
      }
    });
    if (node.localName === "label" && node.htmlFor && !document.getElementById(node.htmlFor)) {
      fault("points nowhere", node, `for="${node.htmlFor}"`);
    }
    const need = NEEDS[node.getAttribute("role")];
    if (need && spoken(node) && !node.matches("input, h1, h2, h3, h4, h5, h6")
        && !node.hasAttribute(`aria-${need}`)) {
      fault("state not told", node, `aria-${need}`);
    }
  });

  opened.forEach((x) => { x.open = false; });
  return found;
}
