//! The join address as a QR code (ISO/IEC 18004), for the terminal and for the projector.

use qrcode::render::unicode::Dense1x2;
use qrcode::{Color, QrCode};

use crate::serve::ServeError;

fn encoded(address: &str) -> Result<QrCode, ServeError> {
    QrCode::new(address).map_err(|error| ServeError::Stopped(std::io::Error::other(error.to_string())))
}

/// As lines of half blocks: dark where the code is dark.
///
/// # Errors
/// When the address is too long for any code.
pub fn text(address: &str) -> Result<String, ServeError> {
    Ok(encoded(address)?.render::<Dense1x2>().dark_color(Dense1x2::Dark).light_color(Dense1x2::Light).build())
}

/// As an SVG picture, black on white with its quiet zone of four modules.
///
/// # Errors
/// As [`text`].
pub fn svg(address: &str) -> Result<String, ServeError> {
    const QUIET: usize = 4;
    let code = encoded(address)?;
    let (width, colours) = (code.width(), code.to_colors());
    let dark = colours.iter().enumerate().filter(|(_, colour)| **colour == Color::Dark);
    let path: String = dark.map(|(i, _)| format!("M{} {}h1v1h-1z", i % width + QUIET, i / width + QUIET)).collect();
    let side = width + 2 * QUIET;
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\">\
         <path fill=\"#fff\" d=\"M0 0h{side}v{side}H0z\"/><path d=\"{path}\"/></svg>"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read by another library, as a phone would from the terminal.
    #[test]
    fn the_code_in_the_terminal_is_the_join_address() {
        let address = "https://192.168.178.42:7321/join?code=ABCDEF";
        let lines: Vec<Vec<char>> = text(address).unwrap().lines().map(|line| line.chars().collect()).collect();
        // In this alphabet a full block is ink: dark modules are ' ' on white or '█' on white; see which by the quiet zone.
        let quiet = lines[0][0];
        let dark = |x: usize, y: usize| {
            let (upper, lower) = match lines[y / 2][x] {
                '█' => (true, true),
                '▀' => (true, false),
                '▄' => (false, true),
                _ => (false, false),
            };
            let ink = if y.is_multiple_of(2) { upper } else { lower };
            ink != (quiet == '█')
        };
        let (width, height) = (lines[0].len(), 2 * lines.len());
        const SCALE: usize = 6;
        let grey = |x: usize, y: usize| if dark(x / SCALE, y / SCALE) { 0 } else { 255 };
        let mut picture = rqrr::PreparedImage::prepare_from_greyscale(width * SCALE, height * SCALE, grey);
        let grids = picture.detect_grids();
        assert_eq!(grids[0].decode().unwrap().1, address);
    }
}
