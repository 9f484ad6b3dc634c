//! Magnetic field of rectangular frame coils, exact by Biot and Savart for straight thin conductors; the same for direct and
//! power-frequency current.

use std::f64::consts::PI;

use serde::Serialize;

use crate::rig::{RigError, positive};

const MU0: f64 = 4e-7 * PI;

/// One or two rectangular coils about the z axis, centred on the origin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coil {
    /// Side along x, m.
    pub width_m: f64,
    /// Side along y, m.
    pub height_m: f64,
    /// Turns of each coil.
    pub turns: f64,
    /// Distance of two equal coils in series, m; none for one coil.
    pub pair_m: Option<f64>,
}

type Vector = [f64; 3];

fn cross(a: Vector, b: Vector) -> Vector {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

fn minus(a: Vector, b: Vector) -> Vector {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn norm(a: Vector) -> f64 {
    (a[0] * a[0] + a[1] * a[1] + a[2] * a[2]).sqrt()
}

/// H of 1 A from `a` to `b` at `p`: `1/(4π) (r1 × r2) (|r1|+|r2|) / (|r1||r2| (|r1||r2| + r1·r2))`, the closed form of the
/// Biot-Savart integral over a straight piece.
fn piece(a: Vector, b: Vector, p: Vector) -> Vector {
    let (r1, r2) = (minus(p, a), minus(p, b));
    let (n1, n2) = (norm(r1), norm(r2));
    let dot = r1[0] * r2[0] + r1[1] * r2[1] + r1[2] * r2[2];
    let k = (n1 + n2) / (n1 * n2 * (n1 * n2 + dot)) / (4.0 * PI);
    let c = cross(r1, r2);
    // Positive current runs against the clock about z: r1 × r2 of a piece seen from inside points along +z.
    [k * c[0], k * c[1], k * c[2]]
}

impl Coil {
    /// Checks the sizes.
    ///
    /// # Errors
    /// A size or number of turns that is not positive.
    pub fn check(&self) -> Result<(), RigError> {
        positive("width", self.width_m)?;
        positive("height", self.height_m)?;
        positive("turns", self.turns)?;
        self.pair_m.map_or(Ok(0.0), |d| positive("distance of the pair", d))?;
        Ok(())
    }

    /// Field in A/m for 1 A, as a vector, at a point (m).
    pub fn field_per_a(&self, point_m: [f64; 3]) -> [f64; 3] {
        let (x, y) = (0.5 * self.width_m, 0.5 * self.height_m);
        let places: &[f64] = match self.pair_m {
            None => &[0.0],
            Some(d) => &[-0.5 * d, 0.5 * d],
        };
        let mut h = [0.0; 3];
        for z in places {
            let c = [[-x, -y, *z], [x, -y, *z], [x, y, *z], [-x, y, *z]];
            for k in 0..4 {
                let f = piece(c[k], c[(k + 1) % 4], point_m);
                for (sum, v) in h.iter_mut().zip(f) {
                    *sum += self.turns * v;
                }
            }
        }
        h
    }

    /// Axial field at the centre for 1 A (the coil factor), 1/m.
    pub fn factor(&self) -> f64 {
        self.field_per_a([0.0; 3])[2]
    }

    /// Current for a field at the centre, A.
    ///
    /// # Errors
    /// Sizes or field that are not positive.
    pub fn current_a(&self, field_a_per_m: f64) -> Result<f64, RigError> {
        self.check()?;
        Ok(positive("field", field_a_per_m)? / self.factor())
    }

    /// Deviation of the axial field from that at the centre, dB; the field turns over where it is not a number.
    pub fn deviation_db(&self, point_m: [f64; 3]) -> f64 {
        20.0 * (self.field_per_a(point_m)[2] / self.factor()).log10()
    }

    /// Lowest and highest deviation (dB) in a centred box with the given sides, corners included.
    pub fn box_deviation_db(&self, sides_m: [f64; 3]) -> (f64, f64) {
        const N: i32 = 12;
        let (mut lo, mut hi) = (0.0f64, 0.0f64);
        // By symmetry an eighth of the box is enough.
        for i in 0..=N {
            for j in 0..=N {
                for k in 0..=N {
                    let at = |n: i32, side: f64| 0.5 * side * f64::from(n) / f64::from(N);
                    let d = self.deviation_db([at(i, sides_m[0]), at(j, sides_m[1]), at(k, sides_m[2])]);
                    if d.is_nan() {
                        return (f64::NEG_INFINITY, hi);
                    }
                    lo = lo.min(d);
                    hi = hi.max(d);
                }
            }
        }
        (lo, hi)
    }

    /// How far from the centre along x, y and z the field stays within `limit_db` of that at the centre, m.
    pub fn reach_m(&self, limit_db: f64) -> [f64; 3] {
        let ends =
            [0.5 * self.width_m, 0.5 * self.height_m, self.width_m.max(self.height_m) + self.pair_m.unwrap_or(0.0)];
        let mut out = [0.0; 3];
        for (axis, end) in ends.into_iter().enumerate() {
            const N: usize = 4000;
            let inside = |r: f64| {
                let mut p = [0.0; 3];
                p[axis] = r;
                self.deviation_db(p).abs() <= limit_db
            };
            out[axis] = (1..N).map(|k| end * k as f64 / N as f64).take_while(|r| inside(*r)).last().unwrap_or(0.0);
        }
        out
    }

    /// Largest centred box of the shape of the coil's opening, with depth `depth_part` of its shorter side, that stays within
    /// `limit_db` everywhere: its sides, m.
    pub fn uniform_box_m(&self, limit_db: f64, depth_part: f64) -> [f64; 3] {
        let sides = |k: f64| [k * self.width_m, k * self.height_m, k * depth_part * self.width_m.min(self.height_m)];
        let fits = |k: f64| {
            let (lo, hi) = self.box_deviation_db(sides(k));
            lo >= -limit_db && hi <= limit_db
        };
        let (mut a, mut b) = (0.0, 0.999);
        for _ in 0..40 {
            let m = 0.5 * (a + b);
            if fits(m) { a = m } else { b = m }
        }
        sides(a)
    }

    /// Inductance of the coil with turns close together, H, for a conductor (or bundle) of the given radius; a pair counts
    /// twice, its coupling left out (Grover's formula for a rectangle of round wire, without the field inside the wire).
    pub fn inductance_h(&self, radius_m: f64) -> f64 {
        let (a, b) = (self.width_m, self.height_m);
        let d = a.hypot(b);
        let single = MU0 / PI
            * (-2.0 * (a + b) + 2.0 * d - a * ((a + d) / b).ln() - b * ((b + d) / a).ln()
                + a * (2.0 * a / radius_m).ln()
                + b * (2.0 * b / radius_m).ln());
        single * self.turns * self.turns * if self.pair_m.is_some() { 2.0 } else { 1.0 }
    }
}

/// Flux density in air of a field, T.
pub fn flux_density_t(field_a_per_m: f64) -> f64 {
    MU0 * field_a_per_m
}
