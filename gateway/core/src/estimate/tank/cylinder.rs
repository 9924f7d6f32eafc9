//! A lying cylinder with two equal heads: circular segments, and heads in closed form or integrated once.

use super::super::settings::Heads;
use super::{MM3_PER_L, TankError, length, rows_around};

/// A lying cylinder with two equal heads.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Cylinder {
    radius_mm: f64,
    length_mm: f64,
    heads: HeadCurve,
    /// (mm, L): where to start looking for the level of a volume. Rows are even in angle, since near the bottom and the
    /// top the level moves fast.
    starts: Vec<(f64, f64)>,
}

/// Both heads of a cylinder.
#[derive(Clone, PartialEq, Debug)]
enum HeadCurve {
    /// Halves of an ellipsoid of this depth; flat with depth 0. Closed form.
    Ellipsoidal { depth_mm: f64 },
    /// Any other body of revolution, integrated once: volume in mm³ and area in mm² of both heads at even heights.
    Integrated(Vec<(f64, f64)>),
}

/// Rows of an integrated head. With the cubic through volumes and areas between them and [`GAUSS`] inside, the common
/// torispherical head is within 1e-6 of its volume (compared with twice and four times as many).
const HEAD_ROWS: usize = 257;

/// Rows of the table where the search for a level starts.
const START_ROWS: usize = 129;

/// Most steps for the level of a volume: Newton's needs three from the table's row, halving alone 30 to a rounding.
const LEVEL_STEPS: usize = 40;

/// A step this small over the radius is the last: the next one would be rounding.
const LEVEL_ROUNDING: f64 = 1e-11;

impl Cylinder {
    pub(super) fn new(diameter_mm: f64, length_mm: f64, heads: Heads) -> Result<Self, TankError> {
        let radius_mm = length("diameter", diameter_mm)? / 2.0;
        let length_mm = length("length", length_mm)?;
        let heads = HeadCurve::new(radius_mm, heads)?;
        let mut cylinder = Self { radius_mm, length_mm, heads, starts: Vec::new() };
        let angle = |i: usize| std::f64::consts::PI * i as f64 / (START_ROWS - 1) as f64;
        let heights = (0..START_ROWS).map(|i| radius_mm * (1.0 - libm::cos(angle(i))));
        cylinder.starts = heights.map(|h| (h, cylinder.volume_l(h))).collect();
        Ok(cylinder)
    }

    pub(super) fn volume_l(&self, level_mm: f64) -> f64 {
        let straight = segment_mm2(self.radius_mm, level_mm) * self.length_mm;
        (straight + self.heads.volume_mm3(self.radius_mm, level_mm)) / MM3_PER_L
    }

    pub(super) fn area_l_per_mm(&self, level_mm: f64) -> f64 {
        let chord_mm = 2.0 * half_chord_mm(self.radius_mm, level_mm);
        (chord_mm * self.length_mm + self.heads.area_mm2(self.radius_mm, level_mm)) / MM3_PER_L
    }

    /// Newton, kept between the rows around the volume: a step that leaves them is replaced by halving.
    pub(super) fn level_mm(&self, litres: f64) -> f64 {
        let ((mut low, low_l), (mut high, high_l)) = rows_around(&self.starts, |row| row.1 <= litres);
        let mut level = low + (high - low) * ((litres - low_l) / (high_l - low_l)).clamp(0.0, 1.0);
        for _ in 0..LEVEL_STEPS {
            let excess = self.volume_l(level) - litres;
            if excess == 0.0 {
                break;
            }
            let newton = level - excess / self.area_l_per_mm(level);
            if (newton - level).abs() <= LEVEL_ROUNDING * self.radius_mm {
                return newton;
            }
            if excess > 0.0 {
                high = level;
            } else {
                low = level;
            }
            level = if newton > low && newton < high { newton } else { (low + high) / 2.0 };
        }
        level
    }
}

/// Half the width of a circle at a height above its lowest point.
fn half_chord_mm(radius_mm: f64, level_mm: f64) -> f64 {
    (level_mm * (2.0 * radius_mm - level_mm)).max(0.0).sqrt()
}

/// Area of a circle below a height above its lowest point.
fn segment_mm2(radius_mm: f64, level_mm: f64) -> f64 {
    let below_centre = radius_mm - level_mm;
    let angle = libm::acos((below_centre / radius_mm).clamp(-1.0, 1.0));
    radius_mm * radius_mm * angle - below_centre * half_chord_mm(radius_mm, level_mm)
}

impl HeadCurve {
    fn new(radius_mm: f64, heads: Heads) -> Result<Self, TankError> {
        match heads {
            Heads::Flat => Ok(Self::Ellipsoidal { depth_mm: 0.0 }),
            Heads::Ellipsoidal { depth_mm } => {
                Ok(Self::Ellipsoidal { depth_mm: length("heads.depth", depth_mm)? })
            }
            Heads::Conical { depth_mm } => {
                let depth_mm = length("heads.depth", depth_mm)?;
                Ok(Self::integrated(radius_mm, 0.0, |r| depth_mm * (1.0 - r / radius_mm)))
            }
            Heads::Spherical { depth_mm } => {
                if length("heads.depth", depth_mm)? > radius_mm {
                    return Err(TankError::HeadDepth { depth_mm, radius_mm });
                }
                let ball_mm = (radius_mm * radius_mm + depth_mm * depth_mm) / (2.0 * depth_mm);
                let behind_mm = ball_mm - depth_mm;
                Ok(Self::integrated(radius_mm, 0.0, |r| {
                    (ball_mm * ball_mm - r * r).max(0.0).sqrt() - behind_mm
                }))
            }
            Heads::Torispherical { dish, knuckle } => Self::torispherical(radius_mm, dish, knuckle),
        }
    }

    /// A dish whose edge turns into the cylinder by a knuckle; both meet where their slopes are equal.
    fn torispherical(radius_mm: f64, dish: f64, knuckle: f64) -> Result<Self, TankError> {
        if !(0.5..=5.0).contains(&dish) {
            return Err(TankError::Dish { dish });
        }
        if !(knuckle > 0.0 && knuckle < 0.5) {
            return Err(TankError::Knuckle { knuckle });
        }
        let (dish_mm, knuckle_mm) = (2.0 * radius_mm * dish, 2.0 * radius_mm * knuckle);
        let ring_mm = radius_mm - knuckle_mm;
        let between_mm = dish_mm - knuckle_mm;
        let behind_mm = (between_mm * between_mm - ring_mm * ring_mm).max(0.0).sqrt();
        let meet_mm = ring_mm * dish_mm / between_mm;
        let depth_at = |r: f64| {
            if r < meet_mm {
                (dish_mm * dish_mm - r * r).max(0.0).sqrt() - behind_mm
            } else {
                let out = r - ring_mm;
                (knuckle_mm * knuckle_mm - out * out).max(0.0).sqrt()
            }
        };
        Ok(Self::integrated(radius_mm, meet_mm, depth_at))
    }

    /// Integrates a head whose depth at a distance from the axis is `depth_at`, smooth apart from `bend_mm`.
    fn integrated(radius_mm: f64, bend_mm: f64, depth_at: impl Fn(f64) -> f64) -> Self {
        let area = |level_mm: f64| 2.0 * head_section_mm2(radius_mm, bend_mm, level_mm, &depth_at);
        let step_mm = 2.0 * radius_mm / (HEAD_ROWS - 1) as f64;
        let mut volume = 0.0;
        let mut rows = vec![(0.0, 0.0)];
        for i in 1..HEAD_ROWS {
            let from = (i - 1) as f64 * step_mm;
            volume += gauss(from, from + step_mm, &area);
            rows.push((volume, if i == HEAD_ROWS - 1 { 0.0 } else { area(i as f64 * step_mm) }));
        }
        Self::Integrated(rows)
    }

    fn volume_mm3(&self, radius_mm: f64, level_mm: f64) -> f64 {
        match self {
            Self::Ellipsoidal { depth_mm } => {
                let cap = std::f64::consts::PI * level_mm * level_mm * (radius_mm - level_mm / 3.0);
                cap * depth_mm / radius_mm
            }
            Self::Integrated(rows) => hermite(rows, radius_mm, level_mm).0,
        }
    }

    fn area_mm2(&self, radius_mm: f64, level_mm: f64) -> f64 {
        match self {
            Self::Ellipsoidal { depth_mm } => {
                let half_chord = half_chord_mm(radius_mm, level_mm);
                std::f64::consts::PI * half_chord * half_chord * depth_mm / radius_mm
            }
            Self::Integrated(rows) => hermite(rows, radius_mm, level_mm).1,
        }
    }
}

/// Volume and area at a height: the cubic through volumes and areas of the rows around it, and its slope.
fn hermite(rows: &[(f64, f64)], radius_mm: f64, level_mm: f64) -> (f64, f64) {
    let step = 2.0 * radius_mm / (rows.len() - 1) as f64;
    let place = level_mm / step;
    let at = (place as usize).min(rows.len() - 2);
    let ((v0, a0), (v1, a1)) = (rows[at], rows[at + 1]);
    let t = place - at as f64;
    let rise = v1 - v0;
    let (square, cube) = (3.0 * rise - step * (2.0 * a0 + a1), step * (a0 + a1) - 2.0 * rise);
    let volume = v0 + t * (step * a0 + t * (square + t * cube));
    (volume, a0 + t * (2.0 * square + 3.0 * t * cube) / step)
}

/// Area of one head in the horizontal plane at a height: the depth, summed over the chord. The chord is run through by
/// the sine of an angle, which takes the edge's steepness out; it is cut where the head bends.
fn head_section_mm2(radius_mm: f64, bend_mm: f64, level_mm: f64, depth_at: &impl Fn(f64) -> f64) -> f64 {
    let half_chord = half_chord_mm(radius_mm, level_mm);
    let up = level_mm - radius_mm;
    let depth = |angle: f64| {
        let x = half_chord * libm::sin(angle);
        depth_at((x * x + up * up).sqrt().min(radius_mm)) * half_chord * libm::cos(angle)
    };
    let edge = std::f64::consts::FRAC_PI_2;
    let bend_x = (bend_mm * bend_mm - up * up).max(0.0).sqrt();
    let bend = if half_chord > 0.0 { libm::asin((bend_x / half_chord).min(1.0)) } else { 0.0 };
    2.0 * (pieces(0.0, bend, &depth) + pieces(bend, edge, &depth))
}

/// Integral from `a` to `b` in [`SECTION_PIECES`] pieces.
fn pieces(a: f64, b: f64, f: &impl Fn(f64) -> f64) -> f64 {
    let width = (b - a) / SECTION_PIECES as f64;
    (0..SECTION_PIECES).map(|i| gauss(a + i as f64 * width, a + (i + 1) as f64 * width, f)).sum()
}

const SECTION_PIECES: usize = 8;

/// Gauss–Legendre points and weights of order five on −1 to 1 (Abramowitz and Stegun, table 25.4).
const GAUSS: [(f64, f64); 5] = [
    (-0.906_179_845_938_664, 0.236_926_885_056_189),
    (-0.538_469_310_105_683, 0.478_628_670_499_366),
    (0.0, 0.568_888_888_888_889),
    (0.538_469_310_105_683, 0.478_628_670_499_366),
    (0.906_179_845_938_664, 0.236_926_885_056_189),
];

fn gauss(a: f64, b: f64, f: &impl Fn(f64) -> f64) -> f64 {
    let (middle, half) = ((a + b) / 2.0, (b - a) / 2.0);
    half * GAUSS.iter().map(|(x, weight)| weight * f(middle + half * x)).sum::<f64>()
}
