/** The gamma and incomplete beta functions behind Student's t and Fisher's F. All arguments are pure numbers. */

/** Where the asymptotic series below is used; its first neglected term is then under 2e-17. */
const seriesFrom = 15;

/** ln Gamma(x) - [(x - 1/2) ln x - x + ln(2 pi) / 2] for x >= 15: Stirling's series (Abramowitz & Stegun 6.1.41). */
function stirlingRest(x: number): number {
  const y = 1 / (x * x);
  return (
    (1 / 12 - y * (1 / 360 - y * (1 / 1260 - y * (1 / 1680 - (y * 5) / 5940 + (y * y * 691) / 360360)))) / x
  );
}

/** ln Gamma(x) for x > 0, relative error about 1e-14. Throws RangeError for x <= 0 or NaN. */
export function lnGamma(x: number): number {
  if (!(x > 0)) throw new RangeError(`ln Gamma: ${x} found, > 0 allowed`);
  let shifted = x;
  let product = 1;
  while (shifted < seriesFrom) product *= shifted++;
  const main = (shifted - 0.5) * Math.log(shifted) - shifted + 0.5 * Math.log(2 * Math.PI);
  return main + stirlingRest(shifted) - Math.log(product);
}

/**
 * ln B(a, b) = ln [Gamma(a) Gamma(b) / Gamma(a + b)] for a, b > 0. For a large argument the difference of two gammas is
 * taken term by term, or 1e6 degrees of freedom would cost seven digits.
 */
export function lnBeta(a: number, b: number): number {
  const small = Math.min(a, b);
  const large = Math.max(a, b);
  if (large < seriesFrom) return lnGamma(a) + lnGamma(b) - lnGamma(a + b);
  const sum = large + small;
  const difference =
    -(large - 0.5) * Math.log1p(small / large) -
    small * Math.log(sum) +
    small +
    stirlingRest(large) -
    stirlingRest(sum);
  return lnGamma(small) + difference;
}

/** Lentz's method ends here at the latest; it needs about the square root of the larger argument. */
const mostTerms = 100_000;

/** Continued fraction of I_x(a, b) (Abramowitz & Stegun 26.5.8), by the modified method of Lentz. */
function fraction(x: number, a: number, b: number): number {
  const tiny = 1e-300;
  let c = 1;
  let d = 1 / nonZero(1 - ((a + b) * x) / (a + 1), tiny);
  let value = d;
  for (let m = 1; m < mostTerms; m++) {
    const even = (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m));
    d = 1 / nonZero(1 + even * d, tiny);
    c = nonZero(1 + even / c, tiny);
    value *= d * c;
    const odd = (-(a + m) * (a + b + m) * x) / ((a + 2 * m) * (a + 2 * m + 1));
    d = 1 / nonZero(1 + odd * d, tiny);
    c = nonZero(1 + odd / c, tiny);
    const step = d * c;
    value *= step;
    if (Math.abs(step - 1) < 1e-16) break;
  }
  return value;
}

function nonZero(value: number, tiny: number): number {
  return Math.abs(value) < tiny ? tiny : value;
}

/**
 * Regularised incomplete beta function I_x(a, b), 0 to 1, for 0 <= x <= 1 and a, b > 0. `rest` is 1 - x: give it where
 * it is known better than the subtraction tells. Absolute error below 1e-12 up to a, b = 1e6; small values keep about
 * eleven digits. Throws RangeError outside.
 */
export function incompleteBeta(x: number, a: number, b: number, rest: number = 1 - x): number {
  if (!(x >= 0 && x <= 1 && a > 0 && b > 0)) {
    throw new RangeError(`incomplete beta: x ${x}, a ${a}, b ${b} found; 0 <= x <= 1, a > 0, b > 0 allowed`);
  }
  if (x === 0) return 0;
  if (rest === 0) return 1;
  const lnX = x < 0.5 ? Math.log(x) : Math.log1p(-rest);
  const lnRest = rest < 0.5 ? Math.log(rest) : Math.log1p(-x);
  const front = Math.exp(a * lnX + b * lnRest - lnBeta(a, b));
  if (x < (a + 1) / (a + b + 2)) return (front * fraction(x, a, b)) / a;
  return 1 - (front * fraction(rest, b, a)) / b;
}

/**
 * Probability that Fisher's F with `over` and `under` degrees of freedom is larger than `ratio` (ratio >= 0; degrees > 0,
 * need not be whole). Abramowitz & Stegun 26.6.2. Throws RangeError outside.
 */
export function fisherTail(ratio: number, over: number, under: number): number {
  if (!(ratio >= 0 && over > 0 && under > 0)) {
    throw new RangeError(`F: ratio ${ratio}, degrees ${over} and ${under} found; >= 0, > 0, > 0 allowed`);
  }
  const sum = under + over * ratio;
  return incompleteBeta(under / sum, under / 2, over / 2, (over * ratio) / sum);
}
