// Measurements inside the page, for the tests. All functions return plain data.
({
  // Text whose contrast with what lies behind it is below `least`.
  // Relative luminance and contrast ratio: WCAG 2.2, definitions in section 6.
  faint(least) {
    const canvas = document.createElement("canvas").getContext("2d", {willReadFrequently: true});
    const numbers = colour => {
      canvas.clearRect(0, 0, 1, 1);
      canvas.fillStyle = colour;
      canvas.fillRect(0, 0, 1, 1);
      const [r, g, b, a] = canvas.getImageData(0, 0, 1, 1).data;
      return [r, g, b, a / 255];
    };
    const over = (top, bottom) => [0, 1, 2].map(i => top[i] * top[3] + bottom[i] * (1 - top[3])).concat(1);
    const light = colour => {
      const [r, g, b] = colour.slice(0, 3).map(c => c / 255)
        .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
      return 0.2126 * r + 0.7152 * g + 0.0722 * b;
    };
    const behindHtml = element => {
      const layers = [];
      for (let e = element; e; e = e.parentElement) layers.push(numbers(getComputedStyle(e).backgroundColor));
      return layers.reverse().reduce((below, layer) => over(layer, below), [255, 255, 255, 1]);
    };
    const behindSvg = text => {
      const own = text.previousElementSibling;
      const shape = own && own.tagName === "circle" ? own : text.closest("g")?.querySelector(".box");
      return shape ? numbers(getComputedStyle(shape).fill) : behindHtml(text.closest("figure"));
    };
    const found = [];
    let looked = 0;
    for (const element of document.querySelectorAll("body *")) {
      const says = [...element.childNodes].some(n => n.nodeType === 3 && n.data.trim());
      const box = element.getBoundingClientRect();
      if (!says || ["title", "desc", "STYLE"].includes(element.tagName) || !box.width || !box.height) continue;
      looked += 1;
      const svg = element.namespaceURI.endsWith("svg");
      const behind = svg ? behindSvg(element) : behindHtml(element);
      const style = getComputedStyle(element);
      const front = over(numbers(svg ? style.fill : style.color), behind);
      const [a, b] = [light(front), light(behind)].sort((x, y) => y - x);
      const ratio = (a + 0.05) / (b + 0.05);
      if (ratio < least) found.push([ratio.toFixed(2), element.className.baseVal ?? element.className, element.textContent.slice(0, 40)]);
    }
    return {looked, found};
  },
  // How far the page, or a box that must not scroll, runs over its width.
  overflow() {
    return document.documentElement.scrollWidth - document.documentElement.clientWidth;
  },
  scrolled() {
    return [...document.querySelectorAll(".scroll, .excerpt")]
      .filter(e => e.getBoundingClientRect().width && e.scrollWidth > e.clientWidth + 1).length;
  },
  openAll() {
    for (const details of document.querySelectorAll("details")) details.open = true;
  },
  headings() {
    return [...document.querySelectorAll("h1,h2,h3,h4,h5,h6")]
      .filter(e => e.getBoundingClientRect().height).map(e => [Number(e.tagName[1]), e.textContent.trim()]);
  },
  // The element that has the focus, and whether one can see that it has.
  focus() {
    const element = document.activeElement;
    if (!element || element === document.body) return null;
    const box = element.getBoundingClientRect(), style = getComputedStyle(element);
    const all = [...document.querySelectorAll("*")];
    return {
      place: all.indexOf(element),
      tag: element.tagName,
      text: (element.getAttribute("aria-label") || element.textContent).trim().slice(0, 60),
      ring: style.outlineStyle !== "none" ? parseFloat(style.outlineWidth) : 0,
      inside: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth,
    };
  },
  focusable() {
    return [...document.querySelectorAll("a[href], summary, [tabindex='0']")]
      .filter(e => e.checkVisibility({contentVisibilityAuto: true})).length;
  },
  drawings() {
    return [...document.querySelectorAll(".drawing > svg")]
      .filter(e => e.getBoundingClientRect().width).map(e => {
        const box = e.getBoundingClientRect();
        return {name: e.getAttribute("class"), scale: box.width / e.viewBox.baseVal.width,
                left: box.left, right: box.right};
      });
  },
  // Text of the drawing that is cut off by its box.
  cut() {
    return [...document.querySelectorAll(".drawing svg svg text")].filter(text => {
      const box = text.getBoundingClientRect(), room = text.ownerSVGElement.getBoundingClientRect();
      return box.width && (box.right > room.right + 1 || box.bottom > room.bottom + 1);
    }).map(text => text.textContent);
  },
})
