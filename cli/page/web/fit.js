// Letters as large as their place: sizes are worked out from how wide and how tall the font really draws them.
const fit = {
  pen: null,
  measured: new Map(),

  // Width of a text and height of its capitals at a font size of 1, in the page's own heavy font.
  measure(text) {
    if (!fit.pen) {
      fit.pen = document.createElement("canvas").getContext("2d");
      fit.pen.font = `800 100px ${getComputedStyle(document.body).fontFamily}`;
    }
    if (!fit.measured.has(text)) {
      const { width, actualBoundingBoxAscent } = fit.pen.measureText(text);
      fit.measured.set(text, { width: width / 100, height: Math.max(actualBoundingBoxAscent, 60) / 100 });
    }
    return fit.measured.get(text);
  },

  // The largest font size at which each line fits in `width` and all of them in `height`, each `spacing` capitals tall.
  size(lines, width, height, spacing) {
    const sizes = lines.map((line) => fit.measure(line)).map((each) => width / each.width);
    const tall = height / (lines.length * spacing * fit.measure("E").height);
    return Math.max(Math.floor(Math.min(...sizes, tall)), 12);
  },

  // Lays out only what changes.
  set(element, size) {
    const text = `${Math.floor(size)}px`;
    if (element.style.fontSize !== text) element.style.fontSize = text;
  },
};
