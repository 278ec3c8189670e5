// Small dense linear algebra on row-major Float64Arrays: products, solves, the matrix exponential, eigenvalues.

/** Multiply two n by n matrices. */
export function multiply(a, b, n) {
  const product = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let k = 0; k < n; k++) {
      const x = a[i * n + k];
      if (x === 0) continue;
      for (let j = 0; j < n; j++) product[i * n + j] += x * b[k * n + j];
    }
  }
  return product;
}

/** Apply an n by n matrix to a vector. */
export function apply(a, x, n) {
  const y = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    let sum = 0;
    for (let j = 0; j < n; j++) sum += a[i * n + j] * x[j];
    y[i] = sum;
  }
  return y;
}

/** Scalar product of the first n entries. */
export function dot(a, b, n = a.length) {
  let sum = 0;
  for (let i = 0; i < n; i++) sum += a[i] * b[i];
  return sum;
}

export function identity(n) {
  const unit = new Float64Array(n * n);
  for (let i = 0; i < n; i++) unit[i * n + i] = 1;
  return unit;
}

/**
 * Solve a X = b for n unknowns and `columns` right sides by elimination with row scaling and partial pivoting.
 * Returns X, or null where a is singular to eleven digits.
 */
export function solve(a, b, n, columns) {
  const m = Float64Array.from(a);
  const x = Float64Array.from(b);
  for (let i = 0; i < n; i++) {
    let largest = 0;
    for (let j = 0; j < n; j++) largest = Math.max(largest, Math.abs(m[i * n + j]));
    if (!(largest > 0)) return null;
    for (let j = 0; j < n; j++) m[i * n + j] /= largest;
    for (let j = 0; j < columns; j++) x[i * columns + j] /= largest;
  }
  for (let k = 0; k < n; k++) {
    let pivot = k;
    for (let i = k + 1; i < n; i++) if (Math.abs(m[i * n + k]) > Math.abs(m[pivot * n + k])) pivot = i;
    if (!(Math.abs(m[pivot * n + k]) > 1e-300)) return null;
    if (pivot !== k) {
      for (let j = k; j < n; j++) [m[k * n + j], m[pivot * n + j]] = [m[pivot * n + j], m[k * n + j]];
      for (let j = 0; j < columns; j++) {
        [x[k * columns + j], x[pivot * columns + j]] = [x[pivot * columns + j], x[k * columns + j]];
      }
    }
    for (let i = k + 1; i < n; i++) {
      const factor = m[i * n + k] / m[k * n + k];
      if (factor === 0) continue;
      for (let j = k; j < n; j++) m[i * n + j] -= factor * m[k * n + j];
      for (let j = 0; j < columns; j++) x[i * columns + j] -= factor * x[k * columns + j];
    }
  }
  for (let k = n - 1; k >= 0; k--) {
    for (let j = 0; j < columns; j++) {
      let sum = x[k * columns + j];
      for (let i = k + 1; i < n; i++) sum -= m[k * n + i] * x[i * columns + j];
      x[k * columns + j] = sum / m[k * n + k];
    }
  }
  return x;
}

const workspaces = [];

/** Two matrices of a size to work in, made once. */
function workspace(n) {
  workspaces[n] ??= [new Float64Array(n * n), new Float64Array(n * n)];
  return workspaces[n];
}

/**
 * Solve (a - s) x = b, or (transpose of a - s) x = b, for one complex s and a real or complex b.
 * Returns the real parts of x followed by the imaginary ones, in an array of 2 n.
 */
export function solveShifted(a, n, re, im, bRe, bIm, transposed) {
  const [mr, mi] = workspace(n);
  const x = new Float64Array(2 * n);
  mi.fill(0);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) mr[i * n + j] = transposed ? a[j * n + i] : a[i * n + j];
    mr[i * n + i] -= re;
    mi[i * n + i] = -im;
    x[i] = bRe[i];
    x[n + i] = bIm === null ? 0 : bIm[i];
  }
  for (let k = 0; k < n; k++) {
    let pivot = k;
    let largest = Math.abs(mr[k * n + k]) + Math.abs(mi[k * n + k]);
    for (let i = k + 1; i < n; i++) {
      const size = Math.abs(mr[i * n + k]) + Math.abs(mi[i * n + k]);
      if (size > largest) [pivot, largest] = [i, size];
    }
    if (pivot !== k) {
      for (let j = k; j < n; j++) {
        let t = mr[k * n + j];
        mr[k * n + j] = mr[pivot * n + j];
        mr[pivot * n + j] = t;
        t = mi[k * n + j];
        mi[k * n + j] = mi[pivot * n + j];
        mi[pivot * n + j] = t;
      }
      for (let o = 0; o <= n; o += n) {
        const t = x[o + k];
        x[o + k] = x[o + pivot];
        x[o + pivot] = t;
      }
    }
    const pr = mr[k * n + k];
    const pi = mi[k * n + k];
    const size = pr * pr + pi * pi;
    for (let i = k + 1; i < n; i++) {
      const cr = mr[i * n + k];
      const ci = mi[i * n + k];
      if (cr === 0 && ci === 0) continue;
      const fr = (cr * pr + ci * pi) / size;
      const fi = (ci * pr - cr * pi) / size;
      for (let j = k + 1; j < n; j++) {
        const r = mr[k * n + j];
        const q = mi[k * n + j];
        mr[i * n + j] -= fr * r - fi * q;
        mi[i * n + j] -= fr * q + fi * r;
      }
      x[i] -= fr * x[k] - fi * x[n + k];
      x[n + i] -= fr * x[n + k] + fi * x[k];
    }
  }
  for (let k = n - 1; k >= 0; k--) {
    let sr = x[k];
    let si = x[n + k];
    for (let j = k + 1; j < n; j++) {
      sr -= mr[k * n + j] * x[j] - mi[k * n + j] * x[n + j];
      si -= mr[k * n + j] * x[n + j] + mi[k * n + j] * x[j];
    }
    const pr = mr[k * n + k];
    const pi = mi[k * n + k];
    const size = pr * pr + pi * pi;
    x[k] = (sr * pr + si * pi) / size;
    x[n + k] = (si * pr - sr * pi) / size;
  }
  return x;
}

const PADE = [
  64764752532480000, 32382376266240000, 7771770303897600, 1187353796428800, 129060195264000, 10559470521600,
  670442572800, 33522128640, 1323241920, 40840800, 960960, 16380, 182, 1,
];
const PADE_RADIUS = 5.371920351148152;

/**
 * Exponential of an n by n matrix by scaling and squaring with the [13/13] Pade approximant.
 * N. J. Higham, SIAM J. Matrix Anal. Appl. 26(4), 2005, algorithm 2.3 (from memory).
 */
export function exponential(a, n) {
  let norm = 0;
  for (let j = 0; j < n; j++) {
    let column = 0;
    for (let i = 0; i < n; i++) column += Math.abs(a[i * n + j]);
    norm = Math.max(norm, column);
  }
  const squarings = norm > PADE_RADIUS ? Math.ceil(Math.log2(norm / PADE_RADIUS)) : 0;
  const scale = 2 ** -squarings;
  const x = a.map((v) => v * scale);
  const x2 = multiply(x, x, n);
  const x4 = multiply(x2, x2, n);
  const x6 = multiply(x4, x2, n);
  const b = PADE;
  const high = new Float64Array(n * n);
  const even = new Float64Array(n * n);
  for (let i = 0; i < n * n; i++) {
    high[i] = b[13] * x6[i] + b[11] * x4[i] + b[9] * x2[i];
    even[i] = b[12] * x6[i] + b[10] * x4[i] + b[8] * x2[i];
  }
  const odd = multiply(x6, high, n);
  const v = multiply(x6, even, n);
  for (let i = 0; i < n * n; i++) {
    odd[i] += b[7] * x6[i] + b[5] * x4[i] + b[3] * x2[i];
    v[i] += b[6] * x6[i] + b[4] * x4[i] + b[2] * x2[i];
  }
  for (let i = 0; i < n; i++) {
    odd[i * n + i] += b[1];
    v[i * n + i] += b[0];
  }
  const u = multiply(x, odd, n);
  const bottom = v.map((value, i) => value - u[i]);
  const top = v.map((value, i) => value + u[i]);
  let result = solve(bottom, top, n, n);
  for (let k = 0; k < squarings; k++) result = multiply(result, result, n);
  return result;
}

/** Scale rows and columns by powers of two until they are of one size; eigenvalues stay. Works in place. */
function balance(a, n) {
  for (let settled = false; !settled; ) {
    settled = true;
    for (let i = 0; i < n; i++) {
      let row = 0;
      let column = 0;
      for (let j = 0; j < n; j++) {
        if (j === i) continue;
        column += Math.abs(a[j * n + i]);
        row += Math.abs(a[i * n + j]);
      }
      if (!(row > 0 && column > 0)) continue;
      const sum = row + column;
      let factor = 1;
      for (; column < row / 2; column *= 4) factor *= 2;
      for (; column > row * 2; column /= 4) factor /= 2;
      if (!((row + column) / factor < 0.95 * sum)) continue;
      settled = false;
      for (let j = 0; j < n; j++) a[i * n + j] /= factor;
      for (let j = 0; j < n; j++) a[j * n + i] *= factor;
    }
  }
}

/** Reduce to upper Hessenberg form by elimination with pivoting, in place. */
function toHessenberg(a, n) {
  for (let m = 1; m < n - 1; m++) {
    let pivot = m;
    for (let i = m + 1; i < n; i++) if (Math.abs(a[i * n + m - 1]) > Math.abs(a[pivot * n + m - 1])) pivot = i;
    if (a[pivot * n + m - 1] === 0) continue;
    if (pivot !== m) {
      for (let j = m - 1; j < n; j++) [a[pivot * n + j], a[m * n + j]] = [a[m * n + j], a[pivot * n + j]];
      for (let i = 0; i < n; i++) [a[i * n + pivot], a[i * n + m]] = [a[i * n + m], a[i * n + pivot]];
    }
    for (let i = m + 1; i < n; i++) {
      const factor = a[i * n + m - 1] / a[m * n + m - 1];
      if (factor === 0) continue;
      a[i * n + m - 1] = 0;
      for (let j = m; j < n; j++) a[i * n + j] -= factor * a[m * n + j];
      for (let j = 0; j < n; j++) a[j * n + m] += factor * a[j * n + i];
    }
  }
}

/**
 * Eigenvalues of a real n by n matrix: balanced, reduced to Hessenberg form, then by shifted QR steps of order two
 * (G. H. Golub, C. F. Van Loan, "Matrix Computations", chapter 7, from memory). Returns {re, im}.
 */
export function eigenvalues(matrix, n) {
  const a = Float64Array.from(matrix);
  const re = new Float64Array(n);
  const im = new Float64Array(n);
  balance(a, n);
  toHessenberg(a, n);
  let norm = 0;
  for (let i = 0; i < n; i++) for (let j = Math.max(i - 1, 0); j < n; j++) norm += Math.abs(a[i * n + j]);
  let last = n - 1;
  let shifted = 0;
  for (let rounds = 0; last >= 0; ) {
    let low = last;
    for (; low > 0; low--) {
      const beside = Math.abs(a[(low - 1) * n + low - 1]) + Math.abs(a[low * n + low]) || norm;
      if (Math.abs(a[low * n + low - 1]) <= 2.2e-16 * beside) {
        a[low * n + low - 1] = 0;
        break;
      }
    }
    let x = a[last * n + last];
    if (low === last) {
      re[last] = x + shifted;
      last -= 1;
      rounds = 0;
      continue;
    }
    let y = a[(last - 1) * n + last - 1];
    let w = a[last * n + last - 1] * a[(last - 1) * n + last];
    if (low === last - 1) {
      const p = 0.5 * (y - x);
      const q = p * p + w;
      const z = Math.sqrt(Math.abs(q));
      x += shifted;
      if (q >= 0) {
        const root = p + (p >= 0 ? z : -z);
        re[last - 1] = x + root;
        re[last] = root === 0 ? x : x - w / root;
      } else {
        re[last - 1] = re[last] = x + p;
        im[last - 1] = z;
        im[last] = -z;
      }
      last -= 2;
      rounds = 0;
      continue;
    }
    if (rounds > 0 && rounds % 10 === 0) {
      // a shift of no special kind, where the usual one goes round in circles
      shifted += x;
      for (let i = 0; i <= last; i++) a[i * n + i] -= x;
      const s = Math.abs(a[last * n + last - 1]) + Math.abs(a[(last - 1) * n + last - 2]);
      x = y = 0.75 * s;
      w = -0.4375 * s * s;
    }
    if (rounds > 300) throw new Error("the characteristic multipliers do not converge");
    rounds += 1;
    doubleStep(a, n, low, last, x, y, w);
  }
  return { re, im };
}

/** One QR step with two shifts at once on the rows and columns from low to last. */
function doubleStep(a, n, low, last, x, y, w) {
  let p = 0;
  let q = 0;
  let r = 0;
  let m = last - 2;
  for (; m >= low; m--) {
    const z = a[m * n + m];
    const s = y - z;
    const t = x - z;
    p = (t * s - w) / a[(m + 1) * n + m] + a[m * n + m + 1];
    q = a[(m + 1) * n + m + 1] - z - t - s;
    r = a[(m + 2) * n + m + 1];
    const size = Math.abs(p) + Math.abs(q) + Math.abs(r);
    p /= size;
    q /= size;
    r /= size;
    if (m === low) break;
    const small = Math.abs(a[m * n + m - 1]) * (Math.abs(q) + Math.abs(r));
    const beside = Math.abs(a[(m - 1) * n + m - 1]) + Math.abs(z) + Math.abs(a[(m + 1) * n + m + 1]);
    if (small <= 2.2e-16 * Math.abs(p) * beside) break;
  }
  for (let i = m + 2; i <= last; i++) {
    a[i * n + i - 2] = 0;
    if (i > m + 2) a[i * n + i - 3] = 0;
  }
  for (let k = m; k < last; k++) {
    const three = k !== last - 1;
    let size = 1;
    if (k !== m) {
      p = a[k * n + k - 1];
      q = a[(k + 1) * n + k - 1];
      r = three ? a[(k + 2) * n + k - 1] : 0;
      size = Math.abs(p) + Math.abs(q) + Math.abs(r);
      if (size === 0) continue;
      p /= size;
      q /= size;
      r /= size;
    }
    const length = Math.sqrt(p * p + q * q + r * r);
    const s = p >= 0 ? length : -length;
    if (s === 0) continue;
    if (k !== m) a[k * n + k - 1] = -s * size;
    else if (low !== m) a[k * n + k - 1] = -a[k * n + k - 1];
    p += s;
    const fx = p / s;
    const fy = q / s;
    const fz = r / s;
    q /= p;
    r /= p;
    for (let j = k; j <= last; j++) {
      let sum = a[k * n + j] + q * a[(k + 1) * n + j];
      if (three) {
        sum += r * a[(k + 2) * n + j];
        a[(k + 2) * n + j] -= sum * fz;
      }
      a[(k + 1) * n + j] -= sum * fy;
      a[k * n + j] -= sum * fx;
    }
    const bottom = Math.min(last, k + 3);
    for (let i = low; i <= bottom; i++) {
      let sum = fx * a[i * n + k] + fy * a[i * n + k + 1];
      if (three) {
        sum += fz * a[i * n + k + 2];
        a[i * n + k + 2] -= sum * r;
      }
      a[i * n + k + 1] -= sum * q;
      a[i * n + k] -= sum;
    }
  }
}
