// Finding the mark under a finger among ten thousand: the plane in cells, so that
// only the cells around are searched.

// grid sorts points into cells: xs and ys by index, and which indexes there are.
export function grid(xs, ys, indexes, size) {
  const cells = new Map();
  for (const i of indexes) {
    const at = key(Math.floor(xs[i] / size), Math.floor(ys[i] / size));
    const cell = cells.get(at);
    if (cell) cell.push(i);
    else cells.set(at, [i]);
  }
  return { xs, ys, size, cells };
}

function key(column, row) {
  return column * 65536 + row;
}

// nearest finds the point whose edge is nearest to a place, none farther than
// `reach` from its middle, and how many others are within that reach. radius(i)
// is how large a point is: of two at the same distance the larger one is meant.
export function nearest(g, x, y, reach, radius) {
  let found = -1;
  let best = Infinity;
  let near = 0;
  const from = [Math.floor((x - reach) / g.size), Math.floor((y - reach) / g.size)];
  const to = [Math.floor((x + reach) / g.size), Math.floor((y + reach) / g.size)];
  for (let column = from[0]; column <= to[0]; column++) {
    for (let row = from[1]; row <= to[1]; row++) {
      for (const i of g.cells.get(key(column, row)) ?? []) {
        const middle = Math.hypot(g.xs[i] - x, g.ys[i] - y);
        if (middle > reach) continue;
        near++;
        const edge = middle - radius(i);
        if (edge < best) [found, best] = [i, edge];
      }
    }
  }
  return { found, others: Math.max(0, near - 1) };
}
