//! pH from a charge balance: amines that buffer, carboxylates that come with them, the water's bicarbonate, the acids
//! that bacteria make, and the alkali of a cleaner.

/// What decides the pH, mmol/L.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Buffer {
    /// Amine of the concentrate, free and protonated.
    pub amine: f64,
    /// Its pKa.
    pub amine_pka: f64,
    /// Part of the amine that is free in the fresh mix, 0 to 1; the rest is neutralised by carboxylic acid.
    pub amine_free_share: f64,
    /// Bicarbonate the water brought.
    pub bicarbonate: f64,
    /// Acid from bacteria, less alkali from a cleaner.
    pub acid: f64,
}

/// First and second dissociation of carbonic acid and the ion product of water at 25 °C (common handbook values).
const K1: f64 = 4.466_835_921_509_635e-7; // pK 6.35
const K2: f64 = 4.677_351_412_871_981e-11; // pK 10.33
const KW: f64 = 1e-14;

impl Buffer {
    /// The pH at which charges balance, between 3 and 13.
    pub fn ph(&self) -> f64 {
        let amine_k = power(-self.amine_pka);
        let (mut low, mut high) = (3.0, 13.0);
        // The positive surplus falls as pH rises; 30 halvings leave 1e-8.
        for _ in 0..30 {
            let middle = 0.5 * (low + high);
            if self.surplus(power(middle), amine_k) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    /// Positive less negative charge, mmol/L, at 10^pH and with the amine's constant.
    fn surplus(&self, alkalinity: f64, amine_k: f64) -> f64 {
        let (h, hydroxide) = (1e3 / alkalinity, 1e3 * KW * alkalinity);
        let protonated = self.amine / (1.0 + alkalinity * amine_k);
        let to_bicarbonate = alkalinity * K1;
        let to_carbonate = to_bicarbonate * alkalinity * K2;
        let carbonate =
            self.bicarbonate * (to_bicarbonate + 2.0 * to_carbonate) / (1.0 + to_bicarbonate + to_carbonate);
        let anions = self.amine * (1.0 - self.amine_free_share) + self.acid;
        protonated + h + self.bicarbonate - anions - hydroxide - carbonate
    }
}

/// Ten to the power of `x`.
fn power(x: f64) -> f64 {
    libm::exp(std::f64::consts::LN_10 * x)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRESH: Buffer =
        Buffer { amine: 30.0, amine_pka: 8.9, amine_free_share: 0.68, bicarbonate: 2.8, acid: 0.0 };

    #[test]
    fn a_pure_amine_buffer_follows_henderson_and_hasselbalch() {
        // pH = pKa + log10(free / protonated) = 8.9 + log10(0.68 / 0.32).
        let ph = Buffer { bicarbonate: 0.0, ..FRESH }.ph();
        assert!((ph - 9.2274).abs() < 0.003, "{ph}");
    }

    #[test]
    fn bicarbonate_alone_stands_at_8_3() {
        // Text books: sodium bicarbonate in water is near (pK1 + pK2) / 2 = 8.34, at few mmol/L slightly below.
        let ph = Buffer { amine: 0.0, bicarbonate: 3.0, ..FRESH }.ph();
        assert!((8.25..8.35).contains(&ph), "{ph}");
    }

    #[test]
    fn acid_pulls_it_down_and_the_buffer_resists() {
        let drop = |amine: f64| {
            let fresh = Buffer { amine, ..FRESH };
            fresh.ph() - Buffer { acid: 8.0, ..fresh }.ph()
        };
        assert!(drop(30.0) > 0.3 && drop(60.0) < 0.6 * drop(30.0));
        assert!(Buffer { acid: -20.0, ..FRESH }.ph() > 11.0, "cleaner");
    }
}
