//! Height of the liquid to volume and back, for one tank.
//!
//! A tank is turned into a curve once; afterwards both directions are cheap. Heights are mm above the lowest point of
//! the floor, volumes litres. Outside the tank the curve stays at its end and [`Tank::holds_level`] or
//! [`Tank::holds_volume`] says no. It refuses to know of chips, hold-up and what a probe shows.
//!
//! Errors of the curves: boxes and strapping tables exact; sloped floor and lying cylinders with flat or ellipsoidal
//! heads closed forms, rounding only; other heads within 1e-6 of the head's volume (see `cylinder`); the level of a
//! volume within 1e-9 of the tank's height.

mod cylinder;

use super::settings::{BoxPart, TankShape};
use cylinder::Cylinder;

/// mm³ in a litre.
const MM3_PER_L: f64 = 1e6;

/// The curve of one tank.
#[derive(Clone, PartialEq, Debug)]
pub struct Tank {
    curve: Curve,
    height_mm: f64,
    capacity_l: f64,
}

/// Why a shape is no tank.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum TankError {
    /// A measure that must be positive is not.
    #[error("{field} is {value}; it must be greater than 0")]
    NotPositive {
        /// Key in the configuration, such as `length` or `parts[1].width`.
        field: String,
        /// What it is.
        value: f64,
    },
    /// A measure beyond what a tank can have.
    #[error("{field} is {value} mm; it must be at most {} mm (is the unit right?)", LENGTH_MAX_MM)]
    TooLong {
        /// Key in the configuration.
        field: String,
        /// What it is, mm.
        value: f64,
    },
    /// No boxes.
    #[error("parts is empty; a tank of boxes needs at least one, such as {{ length, width, floor, top }}")]
    NoParts,
    /// A box upside down or flat.
    #[error("parts[{part}].top is {top_mm} mm; it must be above its floor at {floor_mm} mm")]
    PartUpsideDown {
        /// Which, from 0.
        part: usize,
        /// Its floor, mm.
        floor_mm: f64,
        /// Its top, mm.
        top_mm: f64,
    },
    /// The lowest floor is not at 0.
    #[error(
        "the lowest floor of parts is at {lowest_mm} mm; heights count from the lowest point, so it must be 0"
    )]
    LowestFloor {
        /// Where it is, mm.
        lowest_mm: f64,
    },
    /// No box at some height between others.
    #[error(
        "parts leave a gap from {from_mm} to {to_mm} mm; each height up to the top must lie in at least one part"
    )]
    Gap {
        /// Top of the boxes below, mm.
        from_mm: f64,
        /// Floor of the boxes above, mm.
        to_mm: f64,
    },
    /// The floor rises by more than the walls.
    #[error("drop is {drop_mm} mm; it must be from 0 to the height, {height_mm} mm")]
    Drop {
        /// Rise of the floor, mm.
        drop_mm: f64,
        /// Height of the walls, mm.
        height_mm: f64,
    },
    /// A dish flatter or rounder than a head can be.
    #[error(
        "dish is {dish}; the dish radius over the diameter must be from 0.5 (half a ball) to 5, 1.0 is common"
    )]
    Dish {
        /// Dish radius over diameter.
        dish: f64,
    },
    /// A knuckle that does not fit.
    #[error(
        "knuckle is {knuckle}; the knuckle radius over the diameter must be greater than 0 and less than 0.5, 0.1 is common"
    )]
    Knuckle {
        /// Knuckle radius over diameter.
        knuckle: f64,
    },
    /// A spherical head deeper than half a ball.
    #[error(
        "heads of depth {depth_mm} mm are more than half a ball; the depth must be at most {radius_mm} mm, half the diameter"
    )]
    HeadDepth {
        /// Depth of the head, mm.
        depth_mm: f64,
        /// Half the diameter, mm.
        radius_mm: f64,
    },
    /// Too few rows.
    #[error("table has {rows} rows; a strapping table needs at least two of [mm, L]")]
    TooFewRows {
        /// How many there are.
        rows: usize,
    },
    /// Rows that do not rise.
    #[error(
        "table[{row}] is [{height_mm} mm, {litres} L]; both must be greater than in the row before, \
         [{height_before_mm} mm, {litres_before} L]"
    )]
    NotRising {
        /// Which, from 0.
        row: usize,
        /// Its height, mm.
        height_mm: f64,
        /// Its volume, L.
        litres: f64,
        /// Height of the row before, mm.
        height_before_mm: f64,
        /// Volume of the row before, L.
        litres_before: f64,
    },
    /// A row below the floor or of less than nothing.
    #[error("table[0] is [{height_mm} mm, {litres} L]; neither can be less than 0")]
    Negative {
        /// Its height, mm.
        height_mm: f64,
        /// Its volume, L.
        litres: f64,
    },
    /// Water on the floor from nothing.
    #[error("table[0] is [0 mm, {litres} L]; at height 0 the tank is empty, so it must be [0, 0]")]
    FullAtFloor {
        /// What it says, L.
        litres: f64,
    },
}

/// No tank beside a machine is longer than this, mm: 100 m. Keeps a metre taken for a millimetre out.
const LENGTH_MAX_MM: f64 = 100_000.0;

impl Tank {
    /// The curve of a shape, or what is wrong with it.
    pub fn new(shape: &TankShape) -> Result<Self, TankError> {
        match shape {
            TankShape::Boxes(parts) => boxes(parts).map(Self::of_table),
            TankShape::Strapping(rows) => strapping(rows).map(Self::of_table),
            &TankShape::SlopedFloor { length_mm, width_mm, drop_mm, height_mm } => {
                sloped_floor(length_mm, width_mm, drop_mm, height_mm)
            }
            &TankShape::LyingCylinder { diameter_mm, length_mm, heads } => {
                let cylinder = Cylinder::new(diameter_mm, length_mm, heads)?;
                Ok(Self::of_curve(Curve::Cylinder(Box::new(cylinder)), diameter_mm))
            }
        }
    }

    /// Volume in litres up to a height in mm; that of the nearest end outside the tank, 0 for NaN.
    pub fn volume_l(&self, level_mm: f64) -> f64 {
        self.curve.volume_l(self.within(level_mm))
    }

    /// Height in mm of a volume in litres; that of the nearest end for less than nothing or more than fits, 0 for NaN.
    pub fn level_mm(&self, litres: f64) -> f64 {
        let litres = if litres.is_nan() { 0.0 } else { litres.clamp(0.0, self.capacity_l) };
        self.curve.level_mm(litres).clamp(0.0, self.height_mm)
    }

    /// Litres per mm at a height in mm: the surface of the liquid. At a step, that above it.
    pub fn area_at(&self, level_mm: f64) -> f64 {
        self.curve.area_l_per_mm(self.within(level_mm))
    }

    /// Volume of the full tank, L.
    pub fn capacity_l(&self) -> f64 {
        self.capacity_l
    }

    /// Height of the full tank, mm.
    pub fn height_mm(&self) -> f64 {
        self.height_mm
    }

    /// Whether a level in mm lies in the tank, or the answers for it are those of the nearest end.
    pub fn holds_level(&self, level_mm: f64) -> bool {
        (0.0..=self.height_mm).contains(&level_mm)
    }

    /// Whether the tank can hold a volume in litres, or the answer for it is that of the nearest end.
    pub fn holds_volume(&self, litres: f64) -> bool {
        (0.0..=self.capacity_l).contains(&litres)
    }

    /// How far a level lies beyond the tank, mm: 0 for one that lies in it.
    pub fn beyond_mm(&self, level_mm: f64) -> f64 {
        (level_mm - self.height_mm).max(-level_mm).max(0.0)
    }

    fn within(&self, level_mm: f64) -> f64 {
        if level_mm.is_nan() { 0.0 } else { level_mm.clamp(0.0, self.height_mm) }
    }

    fn of_curve(curve: Curve, height_mm: f64) -> Self {
        let capacity_l = curve.volume_l(height_mm);
        Self { curve, height_mm, capacity_l }
    }

    fn of_table(rows: Vec<(f64, f64)>) -> Self {
        let height_mm = rows.last().expect("a checked table has rows").0;
        Self::of_curve(Curve::Table(rows), height_mm)
    }
}

/// A measure that must be positive and believable, in mm.
fn length(field: impl Into<String>, value: f64) -> Result<f64, TankError> {
    if value.is_nan() || value <= 0.0 {
        Err(TankError::NotPositive { field: field.into(), value })
    } else if value > LENGTH_MAX_MM {
        Err(TankError::TooLong { field: field.into(), value })
    } else {
        Ok(value)
    }
}

/// Knots (mm, L) of boxes: the volume is straight between the heights where a box begins or ends.
fn boxes(parts: &[BoxPart]) -> Result<Vec<(f64, f64)>, TankError> {
    for (i, part) in parts.iter().enumerate() {
        length(format!("parts[{i}].length"), part.length_mm)?;
        length(format!("parts[{i}].width"), part.width_mm)?;
        length(format!("parts[{i}].top"), part.top_mm)?;
        if part.floor_mm.is_nan() || part.floor_mm >= part.top_mm {
            let BoxPart { floor_mm, top_mm, .. } = *part;
            return Err(TankError::PartUpsideDown { part: i, floor_mm, top_mm });
        }
    }
    let mut heights: Vec<f64> = parts.iter().flat_map(|p| [p.floor_mm, p.top_mm]).collect();
    heights.sort_by(f64::total_cmp);
    heights.dedup();
    match heights.first() {
        None => return Err(TankError::NoParts),
        Some(&lowest_mm) if lowest_mm != 0.0 => return Err(TankError::LowestFloor { lowest_mm }),
        Some(_) => {}
    }
    let mut rows = vec![(0.0, 0.0)];
    let mut litres = 0.0;
    for pair in heights.windows(2) {
        let (from_mm, to_mm) = (pair[0], pair[1]);
        let spanning = parts.iter().filter(|p| p.floor_mm <= from_mm && p.top_mm >= to_mm);
        let area_mm2: f64 = spanning.map(|p| p.length_mm * p.width_mm).sum();
        if area_mm2 == 0.0 {
            return Err(TankError::Gap { from_mm, to_mm });
        }
        litres += area_mm2 * (to_mm - from_mm) / MM3_PER_L;
        rows.push((to_mm, litres));
    }
    Ok(rows)
}

/// Knots of a strapping table. One that starts above the floor is taken straight down to an empty tank.
fn strapping(rows: &[(f64, f64)]) -> Result<Vec<(f64, f64)>, TankError> {
    if rows.len() < 2 {
        return Err(TankError::TooFewRows { rows: rows.len() });
    }
    let (height_mm, litres) = rows[0];
    if !(height_mm >= 0.0 && litres >= 0.0) {
        return Err(TankError::Negative { height_mm, litres });
    }
    if height_mm == 0.0 && litres > 0.0 {
        return Err(TankError::FullAtFloor { litres });
    }
    for (i, pair) in rows.windows(2).enumerate() {
        let ((height_before_mm, litres_before), (height_mm, litres)) = (pair[0], pair[1]);
        let rises = height_mm > height_before_mm && litres > litres_before;
        if !(rises && height_mm.is_finite() && litres.is_finite()) {
            return Err(TankError::NotRising {
                row: i + 1,
                height_mm,
                litres,
                height_before_mm,
                litres_before,
            });
        }
    }
    let (top_mm, _) = rows[rows.len() - 1];
    length(format!("table[{}]", rows.len() - 1), top_mm)?;
    let from_floor = (height_mm > 0.0).then_some((0.0, 0.0));
    Ok(from_floor.into_iter().chain(rows.iter().copied()).collect())
}

fn sloped_floor(length_mm: f64, width_mm: f64, drop_mm: f64, height_mm: f64) -> Result<Tank, TankError> {
    let area_mm2 = length("length", length_mm)? * length("width", width_mm)?;
    length("height", height_mm)?;
    if !(0.0..=height_mm).contains(&drop_mm) {
        return Err(TankError::Drop { drop_mm, height_mm });
    }
    let area_l_per_mm = area_mm2 / MM3_PER_L;
    Ok(Tank::of_curve(Curve::Sloped { area_l_per_mm, drop_mm }, height_mm))
}

/// Volume over height. Heights and volumes handed in lie within the tank.
#[derive(Clone, PartialEq, Debug)]
enum Curve {
    /// Straight between rows (mm, L), both rising; the second may only stand still in the first interval.
    Table(Vec<(f64, f64)>),
    /// A floor that rises by `drop_mm` over the whole length.
    Sloped { area_l_per_mm: f64, drop_mm: f64 },
    /// Lying.
    Cylinder(Box<Cylinder>),
}

impl Curve {
    fn volume_l(&self, level_mm: f64) -> f64 {
        match self {
            Self::Table(rows) => {
                let (low, high) = rows_around(rows, |row| row.0 <= level_mm);
                low.1 + (level_mm - low.0) * (high.1 - low.1) / (high.0 - low.0)
            }
            Self::Sloped { area_l_per_mm, drop_mm } if level_mm < *drop_mm => {
                area_l_per_mm * level_mm * level_mm / (2.0 * drop_mm)
            }
            Self::Sloped { area_l_per_mm, drop_mm } => area_l_per_mm * (level_mm - drop_mm / 2.0),
            Self::Cylinder(cylinder) => cylinder.volume_l(level_mm),
        }
    }

    fn level_mm(&self, litres: f64) -> f64 {
        match self {
            Self::Table(rows) => {
                let (low, high) = rows_around(rows, |row| row.1 <= litres);
                low.0 + (litres - low.1) * (high.0 - low.0) / (high.1 - low.1)
            }
            Self::Sloped { area_l_per_mm, drop_mm } => {
                let flat_mm = litres / area_l_per_mm;
                if flat_mm < drop_mm / 2.0 {
                    (2.0 * drop_mm * flat_mm).sqrt()
                } else {
                    flat_mm + drop_mm / 2.0
                }
            }
            Self::Cylinder(cylinder) => cylinder.level_mm(litres),
        }
    }

    fn area_l_per_mm(&self, level_mm: f64) -> f64 {
        match self {
            Self::Table(rows) => {
                let (low, high) = rows_around(rows, |row| row.0 <= level_mm);
                (high.1 - low.1) / (high.0 - low.0)
            }
            Self::Sloped { area_l_per_mm, drop_mm } if level_mm < *drop_mm => {
                area_l_per_mm * level_mm / drop_mm
            }
            Self::Sloped { area_l_per_mm, .. } => *area_l_per_mm,
            Self::Cylinder(cylinder) => cylinder.area_l_per_mm(level_mm),
        }
    }
}

/// Last row for which `reached` holds and the one after it; at the upper end the last two.
fn rows_around(rows: &[(f64, f64)], reached: impl Fn(&(f64, f64)) -> bool) -> ((f64, f64), (f64, f64)) {
    let low = (rows.partition_point(reached).max(1) - 1).min(rows.len() - 2);
    (rows[low], rows[low + 1])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::settings::Heads;

    fn part(length_mm: f64, width_mm: f64, floor_mm: f64, top_mm: f64) -> BoxPart {
        BoxPart { length_mm, width_mm, floor_mm, top_mm }
    }

    fn cylinder(heads: Heads) -> Tank {
        Tank::new(&TankShape::LyingCylinder { diameter_mm: 600.0, length_mm: 1500.0, heads }).expect("a tank")
    }

    #[test]
    fn outside_the_tank_the_ends_stand_in_and_it_says_so() {
        let tank = Tank::new(&TankShape::Boxes(vec![part(1000.0, 500.0, 0.0, 400.0)])).expect("a tank");
        assert_eq!((tank.capacity_l(), tank.height_mm()), (200.0, 400.0));
        for (level, litres, held) in [
            (-1.0, 0.0, false),
            (0.0, 0.0, true),
            (400.0, 200.0, true),
            (400.1, 200.0, false),
            (f64::NAN, 0.0, false),
        ] {
            assert_eq!((tank.volume_l(level), tank.holds_level(level)), (litres, held), "{level} mm");
        }
        for (litres, level, held) in [(-1.0, 0.0, false), (200.5, 400.0, false), (f64::NAN, 0.0, false)] {
            assert_eq!((tank.level_mm(litres), tank.holds_volume(litres)), (level, held), "{litres} L");
        }
    }

    #[test]
    fn the_surface_is_the_slope_of_the_volume() {
        let tanks = [
            cylinder(Heads::Flat),
            cylinder(Heads::Ellipsoidal { depth_mm: 150.0 }),
            cylinder(Heads::Torispherical { dish: 1.0, knuckle: 0.1 }),
            cylinder(Heads::Conical { depth_mm: 200.0 }),
            Tank::new(&TankShape::SlopedFloor {
                length_mm: 1200.0,
                width_mm: 800.0,
                drop_mm: 40.0,
                height_mm: 300.0,
            })
            .expect("a tank"),
        ];
        for tank in &tanks {
            for percent in 1..100 {
                let level = tank.height_mm() * f64::from(percent) / 100.0;
                let slope = (tank.volume_l(level + 0.01) - tank.volume_l(level - 0.01)) / 0.02;
                assert!((slope / tank.area_at(level) - 1.0).abs() < 1e-3, "{level} mm: {slope} {tank:?}");
            }
        }
    }

    #[test]
    fn half_a_ball_is_half_a_ball_however_it_is_described() {
        let ellipsoid = cylinder(Heads::Ellipsoidal { depth_mm: 300.0 });
        let others = [Heads::Spherical { depth_mm: 300.0 }, Heads::Torispherical { dish: 0.5, knuckle: 0.2 }]
            .map(cylinder);
        for level in (0..=60).map(|i| f64::from(i) * 10.0) {
            for other in &others {
                let apart = (other.volume_l(level) - ellipsoid.volume_l(level)).abs();
                assert!(apart < 1e-4, "{level} mm: {apart} L of 537 L");
            }
        }
    }

    #[test]
    fn nonsense_names_its_field() {
        let message = |shape| Tank::new(&shape).expect_err("nonsense").to_string();
        let boxes = |parts: &[BoxPart]| message(TankShape::Boxes(parts.to_vec()));
        assert!(boxes(&[]).contains("parts is empty"));
        assert!(boxes(&[part(1000.0, 0.0, 0.0, 400.0)]).contains("parts[0].width is 0"));
        assert!(boxes(&[part(1000.0, f64::NAN, 0.0, 400.0)]).contains("parts[0].width is NaN"));
        assert!(boxes(&[part(1000.0, 500.0, 400.0, 400.0)]).contains("parts[0].top is 400 mm"));
        assert!(boxes(&[part(1000.0, 500.0, 50.0, 400.0)]).contains("must be 0"));
        let apart = [part(1000.0, 500.0, 0.0, 100.0), part(1000.0, 500.0, 150.0, 400.0)];
        assert!(boxes(&apart).contains("gap from 100 to 150 mm"));
        assert!(boxes(&[part(1.2e6, 500.0, 0.0, 400.0)]).contains("is the unit right"));
        let sloped =
            |drop_mm| TankShape::SlopedFloor { length_mm: 1e3, width_mm: 1e3, drop_mm, height_mm: 300.0 };
        assert!(message(sloped(301.0)).contains("drop is 301"));
        assert!(message(sloped(-1.0)).contains("drop is -1"));
        let lying = |heads| TankShape::LyingCylinder { diameter_mm: 600.0, length_mm: 1500.0, heads };
        assert!(message(lying(Heads::Torispherical { dish: 0.4, knuckle: 0.1 })).contains("dish is 0.4"));
        assert!(message(lying(Heads::Torispherical { dish: 1.0, knuckle: 0.5 })).contains("knuckle is 0.5"));
        assert!(message(lying(Heads::Spherical { depth_mm: 301.0 })).contains("half a ball"));
        assert!(message(lying(Heads::Ellipsoidal { depth_mm: -1.0 })).contains("heads.depth is -1"));
        let table = |rows: &[(f64, f64)]| message(TankShape::Strapping(rows.to_vec()));
        assert!(table(&[(0.0, 0.0)]).contains("at least two"));
        assert!(table(&[(0.0, 0.0), (100.0, 50.0), (100.0, 60.0)]).contains("table[2]"));
        assert!(
            table(&[(0.0, 0.0), (100.0, 50.0), (200.0, 50.0)]).contains("greater than in the row before")
        );
        assert!(table(&[(0.0, 5.0), (100.0, 50.0)]).contains("must be [0, 0]"));
        assert!(table(&[(-5.0, 0.0), (100.0, 50.0)]).contains("neither can be less than 0"));
        assert!(table(&[(0.0, 0.0), (f64::NAN, 50.0)]).contains("table[1]"));
        assert!(table(&[(0.0, 0.0), (100.0, f64::INFINITY)]).contains("table[1]"));
    }

    #[test]
    fn a_strapping_table_reaches_down_to_the_floor() {
        let tank = Tank::new(&TankShape::Strapping(vec![(50.0, 20.0), (100.0, 60.0)])).expect("a tank");
        assert_eq!((tank.volume_l(25.0), tank.level_mm(10.0)), (10.0, 25.0));
        let dead = Tank::new(&TankShape::Strapping(vec![(50.0, 0.0), (100.0, 60.0)])).expect("a tank");
        assert_eq!(
            (dead.volume_l(25.0), dead.level_mm(0.0)),
            (0.0, 50.0),
            "the table begins at an empty tank"
        );
    }
}
