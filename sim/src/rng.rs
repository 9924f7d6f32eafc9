//! A small generator of pseudo-random numbers: xoshiro256++ 1.0, its state filled by SplitMix64 (Blackman and Vigna,
//! public domain reference code). Written here so that a seed means the same bytes for as long as this project lives.

/// xoshiro256++ 1.0. Not for secrets.
#[derive(Clone, Debug)]
pub struct Rng {
    state: [u64; 4],
    /// Second half of the last pair of normal numbers.
    spare: Option<f64>,
}

impl Rng {
    /// The generator of a seed.
    pub fn new(seed: u64) -> Self {
        let mut mixer = seed;
        let state = std::array::from_fn(|_| splitmix64(&mut mixer));
        Self { state, spare: None }
    }

    /// A generator for a part of the simulation, so that another part's draws do not shift this one's.
    pub fn of(seed: u64, part: &str) -> Self {
        // FNV-1a, 64 bit: only to spread names over seeds.
        let hash = part
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3));
        Self::new(seed ^ hash)
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        let s = &mut self.state;
        let out = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Uniform in 0 ≤ x < 1.
    pub fn uniform(&mut self) -> f64 {
        // 53 bits are exactly what a double holds.
        (self.bits() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Uniform in `low` ≤ x < `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Whole number below `count`, which must not be 0.
    pub fn below(&mut self, count: u64) -> u64 {
        ((u128::from(self.bits()) * u128::from(count)) >> 64) as u64
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// Normal with mean 0 and standard deviation 1 (Marsaglia's polar method).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (x, y) = (self.between(-1.0, 1.0), self.between(-1.0, 1.0));
            let square = x * x + y * y;
            if square > 0.0 && square < 1.0 {
                let factor = (-2.0 * libm::log(square) / square).sqrt();
                self.spare = Some(y * factor);
                return x * factor;
            }
        }
    }
}

fn splitmix64(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splitmix_gives_the_reference_numbers() {
        // First outputs for seed 1234567, as the rosettacode task "Pseudo-random numbers/Splitmix64" prints them.
        let mut state = 1_234_567;
        let got: Vec<u64> = (0..3).map(|_| splitmix64(&mut state)).collect();
        assert_eq!(got, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn xoshiro_gives_the_reference_numbers() {
        // State 1, 2, 3, 4: first outputs printed in the test of the rand_xoshiro crate, from the authors' C code.
        let mut rng = Rng { state: [1, 2, 3, 4], spare: None };
        let got: Vec<u64> = (0..4).map(|_| rng.bits()).collect();
        assert_eq!(got, [41_943_041, 58_720_359, 3_588_806_011_781_223, 3_591_011_842_654_386]);
    }

    #[test]
    fn normal_numbers_have_mean_zero_and_spread_one() {
        let mut rng = Rng::new(7);
        let n = 100_000;
        let (sum, square) = (0..n).map(|_| rng.normal()).fold((0.0, 0.0), |(s, q), x| (s + x, q + x * x));
        // Five standard errors: 5/sqrt(n) and 5·sqrt(2/n).
        assert!((sum / f64::from(n)).abs() < 0.016);
        assert!((square / f64::from(n) - 1.0).abs() < 0.023);
    }
}
