//! Pressure or distance to the height of the liquid above the tank floor.

use super::interpolate;

/// Standard acceleration of gravity, m/s² (CGPM 1901).
pub const GRAVITY_M_S2: f64 = 9.806_65;

/// Density of water in kg/m³ at 101.325 kPa by temperature in °C, IAPWS-IF97. The cubic between these rows is within
/// 0.001 kg/m³ of the formulation.
const WATER_DENSITY: [interpolate::Row; 16] = [
    (0.0, 999.845),
    (5.0, 999.9669),
    (10.0, 999.7015),
    (15.0, 999.1011),
    (20.0, 998.2061),
    (25.0, 997.048),
    (30.0, 995.6521),
    (35.0, 994.0385),
    (40.0, 992.2243),
    (45.0, 990.2233),
    (50.0, 988.0475),
    (60.0, 983.2106),
    (70.0, 977.7793),
    (80.0, 971.8029),
    (90.0, 965.3187),
    (100.0, 958.3543),
];

/// Density of water in kg/m³ at a temperature in °C; `None` outside 0 to 100 °C.
pub fn water_density_kg_m3(temperature_c: f64) -> Option<f64> {
    interpolate::cubic(&WATER_DENSITY, temperature_c)
}

/// Height in mm of a column that presses with `pressure_pa` (gauge), `p / (ρ·g)`.
pub fn column_mm(pressure_pa: f64, density_kg_m3: f64) -> f64 {
    pressure_pa / (density_kg_m3 * GRAVITY_M_S2) * 1000.0
}

/// Gauge pressure in Pa under a column of `column_mm`.
pub fn pressure_pa(column_mm: f64, density_kg_m3: f64) -> f64 {
    column_mm / 1000.0 * density_kg_m3 * GRAVITY_M_S2
}
