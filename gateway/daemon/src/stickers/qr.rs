//! A text as a QR code (ISO/IEC 18004), drawn as SVG from its modules.

use std::fmt::Write as _;

use qrcode::{Color, EcLevel, QrCode};

/// Modules of white around a code that the standard asks for.
const QUIET: usize = 4;

/// The code; none if the text is too long for one. A quarter of it may be scratched or oily (level Q).
pub(super) fn svg(text: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(text, EcLevel::Q).ok()?;
    let width = code.width();
    let side = width + 2 * QUIET;
    let mut path = String::new();
    for (y, row) in code.to_colors().chunks(width).enumerate() {
        let mut x = 0;
        // Modules beside each other are one bar: hair lines between them would confuse a reader.
        for bar in row.chunk_by(|a, b| a == b) {
            if bar[0] == Color::Dark {
                let (left, top, long) = (x + QUIET, y + QUIET, bar.len());
                write!(path, "M{left} {top}h{long}v1h-{long}z").expect("writing to a String cannot fail");
            }
            x += bar.len();
        }
    }
    Some(format!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" shape-rendering="crispEdges" role="img" aria-label="QR code of the link"><path fill="#fff" d="M0 0h{side}v{side}h-{side}z"/><path fill="#000" d="{path}"/></svg>"##
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_has_its_three_corners_and_white_around_it() {
        let svg = svg("https://sumps.example/#/log/lathe-3").expect("short");
        // Version 4 at level Q holds 46 bytes: 33 modules, and 4 of white on either side.
        assert!(svg.contains(r#"viewBox="0 0 41 41""#), "{svg}");
        for corner in ["M4 4h7", "M30 4h7", "M4 30h7"] {
            assert!(svg.contains(corner), "{corner}: {svg}");
        }
        assert!(!svg.contains("M0 ") || svg.matches("M0 ").count() == 1, "only the ground reaches the edge");
        assert_eq!(super::svg(&"x".repeat(4_000)), None);
    }
}
