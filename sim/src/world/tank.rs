//! Tank shapes: height of liquid to volume and back.
//!
//! Lengths in metres, volumes in litres, heights in millimetres above the lowest point of the floor.

/// Shape of a tank.
#[derive(Clone, PartialEq, Debug)]
pub enum Tank {
    /// A box whose floor rises evenly by `drop_m` over its length; 0 is a flat floor.
    Box {
        /// Along the slope.
        length_m: f64,
        /// Across it.
        width_m: f64,
        /// Rise of the floor.
        drop_m: f64,
        /// Walls above the lowest point.
        height_m: f64,
    },
    /// Plan areas one over the other: (area m², top m), rising.
    Stepped(Vec<(f64, f64)>),
    /// A lying cylinder with flat ends.
    Cylinder {
        /// Inner diameter.
        diameter_m: f64,
        /// Inner length.
        length_m: f64,
    },
}

impl Tank {
    /// Inner height, mm.
    pub fn height_mm(&self) -> f64 {
        1000.0
            * match self {
                Self::Box { height_m, .. } => *height_m,
                Self::Stepped(steps) => steps.last().map_or(0.0, |step| step.1),
                Self::Cylinder { diameter_m, .. } => *diameter_m,
            }
    }

    /// Litres up to `h_mm`; beyond the tank's ends, what fits.
    pub fn volume_l(&self, h_mm: f64) -> f64 {
        let h = h_mm.clamp(0.0, self.height_mm()) / 1000.0;
        1000.0
            * match self {
                Self::Box { length_m, width_m, drop_m, .. } if h < *drop_m => {
                    length_m * width_m * h * h / (2.0 * drop_m)
                }
                Self::Box { length_m, width_m, drop_m, .. } => length_m * width_m * (h - drop_m / 2.0),
                Self::Stepped(steps) => stepped_m3(steps, h),
                Self::Cylinder { diameter_m, length_m } => cylinder_m3(diameter_m / 2.0, *length_m, h),
            }
    }

    /// Litres when full to the brim.
    pub fn capacity_l(&self) -> f64 {
        self.volume_l(self.height_mm())
    }

    /// Height at which `litres` stand; beyond the tank's ends, the end.
    pub fn level_mm(&self, litres: f64) -> f64 {
        let m3 = litres.max(0.0) / 1000.0;
        let h = match self {
            Self::Box { length_m, width_m, drop_m, .. } => {
                let plan = length_m * width_m;
                if m3 < plan * drop_m / 2.0 {
                    (2.0 * drop_m * m3 / plan).sqrt()
                } else {
                    m3 / plan + drop_m / 2.0
                }
            }
            Self::Stepped(steps) => stepped_m(steps, m3),
            Self::Cylinder { .. } => return self.search_mm(litres),
        };
        (1000.0 * h).min(self.height_mm())
    }

    /// Height for a volume by Newton's steps, and by halving where such a step leads out of what is known.
    fn search_mm(&self, litres: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.height_mm());
        let mut h = 0.5 * high;
        for _ in 0..60 {
            let over = self.volume_l(h) - litres;
            if over > 0.0 {
                high = h;
            } else {
                low = h;
            }
            let next = h - over / self.surface_m2(h).max(1e-6);
            let next = if low < next && next < high { next } else { 0.5 * (low + high) };
            if (next - h).abs() < 1e-9 {
                return next;
            }
            h = next;
        }
        h
    }

    /// Free surface at `h_mm`, m².
    pub fn surface_m2(&self, h_mm: f64) -> f64 {
        let h = h_mm.clamp(0.0, self.height_mm()) / 1000.0;
        match self {
            Self::Box { length_m, width_m, drop_m, .. } if h < *drop_m => length_m * width_m * h / drop_m,
            Self::Box { length_m, width_m, .. } => length_m * width_m,
            Self::Stepped(steps) => {
                steps.iter().find(|step| h <= step.1).or(steps.last()).map_or(0.0, |step| step.0)
            }
            Self::Cylinder { diameter_m, length_m } => {
                2.0 * length_m * (h * (diameter_m - h)).max(0.0).sqrt()
            }
        }
    }
}

fn stepped_m3(steps: &[(f64, f64)], h: f64) -> f64 {
    let mut floor = 0.0;
    let mut volume = 0.0;
    for &(area, top) in steps {
        volume += area * (h.min(top) - floor).max(0.0);
        floor = top;
    }
    volume
}

fn stepped_m(steps: &[(f64, f64)], m3: f64) -> f64 {
    let (mut floor, mut left) = (0.0, m3);
    for &(area, top) in steps {
        let room = area * (top - floor);
        if left <= room {
            return floor + left / area;
        }
        left -= room;
        floor = top;
    }
    floor
}

fn cylinder_m3(r: f64, length: f64, h: f64) -> f64 {
    length * (r * r * libm::acos((r - h) / r) - (r - h) * (2.0 * r * h - h * h).max(0.0).sqrt())
}

/// What stands in a tank with a bed of chips on its floor, on `share` of its plan area (1: everywhere).
///
/// `solids_l` of metal lie loose with `porosity` of their bulk empty; liquid fills the gaps. Only metal under the
/// surface pushes the level up, so a heap that stands out of the liquid displaces less than its solids.
pub fn level_with_chips_mm(tank: &Tank, liquid_l: f64, solids_l: f64, porosity: f64, share: f64) -> f64 {
    let bulk = solids_l / (1.0 - porosity);
    if share * (liquid_l + solids_l) >= bulk {
        tank.level_mm(liquid_l + solids_l)
    } else {
        tank.level_mm(liquid_l / (1.0 - share * (1.0 - porosity)))
    }
}

/// Metal under the surface for a level, in litres: the other way round.
pub fn displaced_l(tank: &Tank, level_mm: f64, solids_l: f64, porosity: f64) -> f64 {
    let bulk = solids_l / (1.0 - porosity);
    tank.volume_l(level_mm).min(bulk) * (1.0 - porosity)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-6 * want.abs().max(1.0), "{got} is not {want}");
    }

    #[test]
    fn volumes_agree_with_the_fluids_library() {
        // fluids 1.3.1 (TANK) and closed forms checked against it: m in, litres out.
        let slope = Tank::Box { length_m: 1.2, width_m: 0.8, drop_m: 0.04, height_m: 0.5 };
        for (h, litres) in
            [(0.0, 0.0), (0.01, 1.2), (0.02, 4.8), (0.04, 19.2), (0.05, 28.8), (0.1, 76.8), (0.3, 268.8)]
        {
            close(slope.volume_l(1000.0 * h), litres);
        }
        let steps = Tank::Stepped(vec![(0.30, 0.10), (0.72, 0.30), (0.96, 0.40)]);
        for (h, litres) in
            [(0.05, 15.0), (0.1, 30.0), (0.2, 102.0), (0.3, 174.0), (0.35, 222.0), (0.4, 270.0)]
        {
            close(steps.volume_l(1000.0 * h), litres);
        }
        let cylinder = Tank::Cylinder { diameter_m: 0.6, length_m: 1.5 };
        for (h, litres) in
            [(0.05, 16.880833548), (0.15, 82.914954656), (0.3, 212.057504117), (0.6, 424.115008235)]
        {
            close(cylinder.volume_l(1000.0 * h), litres);
        }
        for (litres, h) in
            [(10.0, 0.035083316), (50.0, 0.105220259), (300.0, 0.399573586), (400.0, 0.536268565)]
        {
            // The library stops its own search within a micrometre.
            assert!((cylinder.level_mm(litres) - 1000.0 * h).abs() < 1e-3, "{litres} L");
        }
    }

    #[test]
    fn a_heap_on_one_side_stands_out_sooner() {
        let tank = Tank::Box { length_m: 1.0, width_m: 1.0, drop_m: 0.0, height_m: 0.6 };
        // 200 L of bulk on all of a square metre is 200 mm deep and under 220 mm of coolant; on half of it 400 mm deep: then
        // 0.5·h + 0.5·h·0.9 = 200 L.
        close(level_with_chips_mm(&tank, 200.0, 20.0, 0.9, 1.0), 220.0);
        close(level_with_chips_mm(&tank, 200.0, 20.0, 0.9, 0.5), 200.0 / 0.95);
    }

    #[test]
    fn a_chip_bed_displaces_what_lies_under_the_surface() {
        // Columns: area m2, h m, bed m, bulk kg/m3, solid kg/m3, apparent L, fluid L, displaced L; arithmetic of bulk
        // density (chip guide of a conveyor maker, 2002, for the densities) with chips fully wetted.
        for (area, h, bed, bulk, solid, apparent, fluid, displaced) in [
            (0.96, 0.3, 0.1, 1000.0, 7850.0, 288.0, 275.770701, 12.229299),
            (0.96, 0.3, 0.1, 400.0, 2700.0, 288.0, 273.777778, 14.222222),
            (0.96, 0.3, 0.4, 500.0, 7850.0, 288.0, 269.656051, 18.343949),
            (0.96, 0.3, 0.2, 200.0, 2700.0, 288.0, 273.777778, 14.222222),
        ] {
            let tank = Tank::Box { length_m: area, width_m: 1.0, drop_m: 0.0, height_m: 0.6 };
            let porosity = 1.0 - bulk / solid;
            let solids = 1000.0 * area * bed * (1.0 - porosity);
            close(tank.volume_l(1000.0 * h), apparent);
            close(displaced_l(&tank, 1000.0 * h, solids, porosity), displaced);
            assert!((level_with_chips_mm(&tank, fluid, solids, porosity, 1.0) - 1000.0 * h).abs() < 1e-3);
        }
    }
}
