// The ground of a trace says how far it can be trusted: plain, dots, hatching, crosses. Shapes, so that no colour is needed.
const TILE = 8;

function tile(paint) {
  const canvas = new OffscreenCanvas(TILE, TILE);
  const pen = canvas.getContext("2d");
  paint(pen);
  return pen.createPattern(canvas, "repeat");
}

function lines(pen, ink, ...slopes) {
  pen.strokeStyle = ink;
  pen.beginPath();
  for (const slope of slopes) {
    // Thrice, so that the corners of a tile meet those of the next.
    for (const shift of [-TILE, 0, TILE]) {
      pen.moveTo(shift, slope > 0 ? 0 : TILE);
      pen.lineTo(shift + TILE, slope > 0 ? TILE : 0);
    }
  }
  pen.stroke();
}

// One for each class of trust, by its number; the first has none.
export function grounds(ink) {
  return [
    null,
    tile((pen) => {
      pen.fillStyle = ink;
      pen.fillRect(3, 3, 1.5, 1.5);
    }),
    tile((pen) => lines(pen, ink, -1)),
    tile((pen) => lines(pen, ink, 1, -1)),
  ];
}

// Where neighbouring points have one class: [first, last, class], the good ones left out.
export function runs(trust) {
  const found = [];
  let begin = 0;
  for (let n = 1; n <= trust.length; n++) {
    if (n < trust.length && trust[n] === trust[begin]) continue;
    if (trust[begin]) found.push([begin, n - 1, trust[begin]]);
    begin = n;
  }
  return found;
}
