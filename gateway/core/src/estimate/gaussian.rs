//! A Gaussian belief over a few numbers: how it moves, and how an observation changes it.
//!
//! Plain arrays and plain arithmetic in a fixed order, so that a replay gives the same bits on every machine. The state is
//! small and its couplings are few, so movements and observations are given as the few entries that are not zero.
//!
//! A non-linear observation is linearized statistically: sigma points are drawn over only those numbers it depends on
//! (a Cholesky factor of their own covariance), which gives the unscented transform's mean, slopes and remaining spread
//! at a fraction of its cost (Rao-Blackwellised: the rest of the state enters linearly and needs no points).

/// Mean and covariance of `N` numbers.
#[derive(Clone, PartialEq, Debug)]
pub struct Gaussian<const N: usize> {
    /// Mean.
    pub mean: [f64; N],
    /// Covariance, symmetric.
    pub cov: [[f64; N]; N],
}

/// How surprising an observation was.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Innovation {
    /// Observed less expected.
    pub residual: f64,
    /// Variance that was expected of it.
    pub variance: f64,
}

impl Innovation {
    /// Residual in its own standard deviations.
    pub fn normalized(&self) -> f64 {
        self.residual / self.variance.sqrt()
    }

    /// Logarithm of the density at the residual.
    pub fn log_likelihood(&self) -> f64 {
        let normalized = self.normalized();
        -0.5 * (normalized * normalized + libm::log(std::f64::consts::TAU * self.variance))
    }
}

/// An observation as a line over some numbers of the state.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Line<const M: usize> {
    /// Expected value.
    pub value: f64,
    /// Which numbers it depends on, and how steeply.
    pub slopes: [(usize, f64); M],
    /// Variance that the line leaves unexplained.
    pub spread: f64,
}

impl<const M: usize> Line<M> {
    /// The same line, which was drawn over one belief, with the value that another expects.
    pub fn about<const N: usize>(mut self, drawn: &Gaussian<N>, other: &Gaussian<N>) -> Self {
        for &(i, slope) in &self.slopes {
            self.value += slope * (other.mean[i] - drawn.mean[i]);
        }
        self
    }
}

/// Distance of a sigma point in standard deviations: the three-point Gauss-Hermite rule.
const REACH: f64 = 1.732_050_807_568_877_2;

/// How many numbers move at a time: time moves eight, people fewer.
const ROWS: usize = 8;

impl<const N: usize> Gaussian<N> {
    /// Independent numbers with these means and standard deviations.
    pub fn independent(mean: [f64; N], deviation: [f64; N]) -> Self {
        let mut cov = [[0.0; N]; N];
        for i in 0..N {
            cov[i][i] = deviation[i] * deviation[i];
        }
        Self { mean, cov }
    }

    /// Variance of one number.
    pub fn variance(&self, i: usize) -> f64 {
        self.cov[i][i]
    }

    /// Standard deviation of one number.
    pub fn deviation(&self, i: usize) -> f64 {
        self.cov[i][i].max(0.0).sqrt()
    }

    /// Forgets what a number had to do with all others and gives it a new mean and deviation.
    pub fn replace(&mut self, i: usize, mean: f64, deviation: f64) {
        for j in 0..N {
            self.cov[i][j] = 0.0;
            self.cov[j][i] = 0.0;
        }
        self.mean[i] = mean;
        self.cov[i][i] = deviation * deviation;
    }

    /// Adds variance to one number.
    pub fn widen(&mut self, i: usize, variance: f64) {
        self.cov[i][i] += variance;
    }

    /// Adds the covariance of one noise that moves several numbers together, by these amounts for one unit of it.
    pub fn shake(&mut self, amounts: &[(usize, f64)]) {
        for &(i, by) in amounts {
            for &(j, and_by) in amounts {
                self.cov[i][j] += by * and_by;
            }
        }
    }

    /// The covariance after a linear movement: each named number becomes the weighted sum of others (of itself too, if it
    /// is among them), all from the values before; numbers that are not named stay. Means are the caller's affair.
    pub fn transform(&mut self, rows: &[(usize, &[(usize, f64)])]) {
        assert!(rows.len() <= ROWS, "{} numbers move, at most {ROWS} at a time", rows.len());
        let mut moved = [[0.0; N]; ROWS];
        for ((_, terms), row) in rows.iter().zip(&mut moved) {
            for &(from, weight) in terms.iter().filter(|(_, weight)| *weight != 0.0) {
                for (to, old) in row.iter_mut().zip(&self.cov[from]) {
                    *to += weight * old;
                }
            }
        }
        // What two numbers that move have to do with each other moves twice; with one that stays, once, and the same both ways.
        let mut among = [[0.0; ROWS]; ROWS];
        for (row, among) in moved.iter().zip(&mut among).take(rows.len()) {
            for ((_, terms), entry) in rows.iter().zip(among) {
                *entry = terms.iter().map(|&(from, weight)| weight * row[from]).sum();
            }
        }
        for (&(i, _), row) in rows.iter().zip(&moved) {
            self.cov[i] = *row;
            for (line, entry) in self.cov.iter_mut().zip(row) {
                line[i] = *entry;
            }
        }
        for (&(i, _), among) in rows.iter().zip(&among) {
            for (&(j, _), entry) in rows.iter().zip(among) {
                self.cov[i][j] = *entry;
            }
        }
    }

    /// Takes a linear observation: expected and observed value, slopes, variance of its error.
    pub fn observe(
        &mut self,
        expected: f64,
        observed: f64,
        slopes: &[(usize, f64)],
        noise: f64,
    ) -> Innovation {
        let mut cross = [0.0; N];
        for &(from, slope) in slopes {
            for (to, old) in cross.iter_mut().zip(&self.cov[from]) {
                *to += slope * old;
            }
        }
        let explained: f64 = slopes.iter().map(|&(i, slope)| slope * cross[i]).sum();
        let innovation = Innovation { residual: observed - expected, variance: explained + noise };
        let per_variance = 1.0 / innovation.variance;
        for i in 0..N {
            let gain = cross[i] * per_variance;
            self.mean[i] += gain * innovation.residual;
            for (entry, with) in self.cov[i].iter_mut().zip(&cross) {
                *entry -= gain * with;
            }
        }
        innovation
    }

    /// Takes a linearized observation with an error of this variance.
    pub fn observe_line<const M: usize>(&mut self, line: &Line<M>, observed: f64, noise: f64) -> Innovation {
        self.observe(line.value, observed, &line.slopes, noise + line.spread)
    }

    /// What an observation would bring, without taking it.
    pub fn foresee<const M: usize>(&self, line: &Line<M>, observed: f64, noise: f64) -> Innovation {
        let mut explained = 0.0;
        for &(i, slope) in &line.slopes {
            for &(j, other) in &line.slopes {
                explained += slope * other * self.cov[i][j];
            }
        }
        Innovation { residual: observed - line.value, variance: explained + noise + line.spread }
    }

    /// The unscented transform of `f` over the numbers `over`: mean, the line that fits best, and the variance it leaves.
    pub fn linearize<const M: usize>(&self, over: [usize; M], f: impl Fn([f64; M]) -> f64) -> Line<M> {
        let factor = self.factor(over);
        let centre = over.map(|i| self.mean[i]);
        let middle = f(centre);
        let (mut value, mut spread) = (middle, 0.0);
        let mut slopes = [0.0; M];
        for axis in 0..M {
            let (mut ahead, mut behind) = (centre, centre);
            for k in axis..M {
                ahead[k] += REACH * factor[k][axis];
                behind[k] -= REACH * factor[k][axis];
            }
            let (high, low) = (f(ahead), f(behind));
            slopes[axis] = (high - low) / (2.0 * REACH);
            let bend = (high + low - 2.0 * middle) / 6.0;
            value += bend;
            spread += 2.0 * bend * bend;
        }
        // The slopes so far are along the factor's axes; solving with its transpose turns them to the numbers' own.
        for i in (0..M).rev() {
            let known: f64 = (i + 1..M).map(|k| factor[k][i] * slopes[k]).sum();
            let own = factor[i][i];
            slopes[i] = if own > 0.0 { (slopes[i] - known) / own } else { 0.0 };
        }
        Line { value, slopes: std::array::from_fn(|i| (over[i], slopes[i])), spread }
    }

    /// Lower Cholesky factor of the covariance of some of the numbers. A direction without variance is left out.
    fn factor<const M: usize>(&self, of: [usize; M]) -> [[f64; M]; M] {
        let mut factor = [[0.0; M]; M];
        for i in 0..M {
            for j in 0..=i {
                let known: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
                let rest = self.cov[of[i]][of[j]] - known;
                factor[i][j] = if i == j {
                    // Rounding may leave a shade under zero where nothing is uncertain.
                    if rest > 1e-12 * self.cov[of[i]][of[i]] { rest.sqrt() } else { 0.0 }
                } else if factor[j][j] > 0.0 {
                    rest / factor[j][j]
                } else {
                    0.0
                };
            }
        }
        factor
    }

    /// One Gaussian with the mean and covariance of a mixture. Weights are positive and add up to one.
    pub fn merge(parts: &[(f64, &Self)]) -> Self {
        let mut merged = Self { mean: [0.0; N], cov: [[0.0; N]; N] };
        for (weight, part) in parts {
            for i in 0..N {
                merged.mean[i] += weight * part.mean[i];
            }
        }
        for (weight, part) in parts {
            let apart: [f64; N] = std::array::from_fn(|i| part.mean[i] - merged.mean[i]);
            for i in 0..N {
                for j in 0..N {
                    merged.cov[i][j] += weight * (part.cov[i][j] + apart[i] * apart[j]);
                }
            }
        }
        merged
    }

    /// Whether every number is finite and no variance is negative, rounding apart.
    pub fn is_sound(&self) -> bool {
        let finite = self.mean.iter().chain(self.cov.iter().flatten()).all(|x| x.is_finite());
        finite && (0..N).all(|i| self.cov[i][i] >= -1e-9 * (1.0 + self.mean[i] * self.mean[i]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn correlated() -> Gaussian<3> {
        let mut belief = Gaussian::independent([2.0, -1.0, 0.5], [0.3, 0.2, 0.1]);
        belief.shake(&[(0, 0.1), (1, -0.15), (2, 0.05)]);
        belief
    }

    #[test]
    fn a_linear_function_is_linearized_exactly() {
        let line = correlated().linearize([2, 0], |[c, a]| 4.0 * a - 3.0 * c + 1.0);
        assert!((line.value - 7.5).abs() < 1e-12 && line.spread < 1e-24, "{line:?}");
        assert!((line.slopes[0].1 + 3.0).abs() < 1e-9 && (line.slopes[1].1 - 4.0).abs() < 1e-9, "{line:?}");
    }

    #[test]
    fn a_square_has_its_known_mean_and_variance() {
        // x ~ N(2, s²): E x² = 4 + s², Var x² = 16 s² + 2 s⁴.
        let belief = correlated();
        let s2 = belief.variance(0);
        let line = belief.linearize([0], |[x]| x * x);
        assert!((line.value - 4.0 - s2).abs() < 1e-12);
        let variance = line.slopes[0].1 * line.slopes[0].1 * s2 + line.spread;
        assert!((variance - 16.0 * s2 - 2.0 * s2 * s2).abs() < 1e-12);
    }

    #[test]
    fn sparse_and_dense_movement_agree() {
        let mut belief = correlated();
        let p = belief.cov;
        let f = [[1.0, 0.5, 0.0], [0.0, 0.9, -0.2], [0.0, 0.0, 1.0]];
        belief.transform(&[(0, &[(0, 1.0), (1, 0.5)]), (1, &[(1, 0.9), (2, -0.2)])]);
        for i in 0..3 {
            for j in 0..3 {
                let dense: f64 = (0..9).map(|k| f[i][k / 3] * p[k / 3][k % 3] * f[j][k % 3]).sum();
                assert!((belief.cov[i][j] - dense).abs() < 1e-15);
            }
        }
    }

    #[test]
    fn a_mixture_keeps_mean_and_spread() {
        let low = Gaussian::independent([0.0], [1.0]);
        let high = Gaussian::independent([4.0], [2.0]);
        let merged = Gaussian::merge(&[(0.25, &low), (0.75, &high)]);
        assert_eq!(merged.mean, [3.0]);
        // 0.25 (1 + 9) + 0.75 (4 + 1)
        assert_eq!(merged.cov, [[6.25]]);
    }

    #[test]
    fn a_number_known_exactly_is_no_division_by_zero() {
        let belief = Gaussian::independent([1.0, 2.0], [0.0, 0.5]);
        let line = belief.linearize([0, 1], |[a, b]| a * b);
        assert_eq!(line.slopes[0].1, 0.0);
        assert!((line.slopes[1].1 - 1.0).abs() < 1e-12 && line.value == 2.0);
    }
}
