/* The pieces of text on the page that another piece runs into, as [text, text] pairs. What is cut off
   by an element around it counts only as far as it is seen. */
() => {
  const clipped = new Set(["hidden", "clip", "auto", "scroll"]);
  const pieces = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const parent = node.parentElement;
    if (!node.data.trim() || parent.closest("script, style, title") || !parent.checkVisibility({ visibilityProperty: true })) continue;
    if (parent.closest(".unseen, .skip")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) {
      let { left, top, right, bottom } = box;
      for (let around = parent; around && around !== document.body; around = around.parentElement) {
        const style = getComputedStyle(around);
        if (!clipped.has(style.overflowX) && !clipped.has(style.overflowY)) continue;
        const edge = around.getBoundingClientRect();
        left = Math.max(left, edge.left); right = Math.min(right, edge.right);
        top = Math.max(top, edge.top); bottom = Math.min(bottom, edge.bottom);
      }
      // The box of a line is higher than its letters.
      const air = (bottom - top) * 0.2;
      if (right - left > 1 && bottom - top > 1) pieces.push({ node, text: node.data.trim(), left, top: top + air, right, bottom: bottom - air });
    }
  }
  pieces.sort((a, b) => a.top - b.top);
  const found = [];
  pieces.forEach((a, index) => {
    for (const b of pieces.slice(index + 1)) {
      if (b.top >= a.bottom) break;
      if (a.node !== b.node && Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1) found.push([a.text, b.text]);
    }
  });
  return { pieces: pieces.length, found };
}
