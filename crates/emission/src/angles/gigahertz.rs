use serde::Serialize;

/// What an antenna sees of a product above 1 GHz, where it is not scanned over the whole room.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Beam {
    /// Width of the beam at the product, m: 2·d·tan(θ/2) (CISPR 16-2-3, from memory).
    pub width_m: f64,
    /// The product fits into it.
    pub holds_product: bool,
    /// Heights (of the antenna) or positions needed to see all of it, side by side.
    pub positions_needed: usize,
}

/// What a −3 dB beam of this width (degrees) holds at a distance. Nothing for impossible figures.
pub fn beam(distance_m: f64, beam_width_deg: f64, product_m: f64) -> Option<Beam> {
    let sensible = distance_m > 0.0 && beam_width_deg > 0.0 && beam_width_deg < 180.0 && product_m >= 0.0;
    sensible.then(|| {
        let width_m = 2.0 * distance_m * (0.5 * beam_width_deg.to_radians()).tan();
        Beam {
            width_m,
            holds_product: product_m <= width_m,
            positions_needed: ((product_m / width_m).ceil() as usize).max(1),
        }
    })
}
