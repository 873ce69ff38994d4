//! The blurred spheroid of one channel, and how it differs from the picture.

use stillair_maths::fft::{Complex32, Fft2Scratch};

use super::super::canvas::Canvas;
use super::super::ellipse::{Ellipse, Start};
use super::super::object::{DiscTable, DiscTables};
use super::super::transfer;
use super::{Channel, unpack};

/// Steps of the table of core and halo over `nu`.
const TABLE: usize = 256;

pub(super) struct Work<'a> {
    pub(super) canvas: &'a Canvas,
    pub(super) channel: &'a Channel<'a>,
    pub(super) weights: Vec<f32>,
    /// Active coefficients: number, frequencies, `nu` in table steps.
    pub(super) active: Vec<(u32, f32, f32, f32)>,
    pub(super) tables: DiscTables,
    /// Powers of `nu` at the table's steps.
    pub(super) powers: Vec<(f64, f64)>,
}

pub(super) struct Buffers {
    pub(super) spectrum: Vec<Complex32>,
    pub(super) model: Vec<f32>,
    pub(super) transform: Fft2Scratch,
    pub(super) columns: Vec<Complex32>,
    pub(super) rows: Vec<Complex32>,
}

pub(super) struct Evaluation {
    pub(super) residuals: Vec<f32>,
    pub(super) brightness: f64,
    pub(super) sky: f64,
}

/// The blurred or sharp spheroid's spectrum (`I = 1`) on a canvas; `shape(i, nu_steps)` multiplies.
#[allow(clippy::too_many_arguments)]
pub(super) fn spheroid(
    canvas: &Canvas,
    active: &[(u32, f32, f32, f32)],
    table: &DiscTable,
    ellipse: &Ellipse,
    centre: (f64, f64),
    columns: &mut Vec<Complex32>,
    rows: &mut Vec<Complex32>,
    out: &mut [Complex32],
    shape: impl Fn(usize, f32) -> f32,
) {
    let (w, h, half) = (canvas.plan.width(), canvas.plan.height(), canvas.plan.half_width());
    let phase = |f: f64, x: f64| {
        let a = -std::f64::consts::TAU * f * x;
        Complex32::new(libm::cos(a) as f32, libm::sin(a) as f32)
    };
    columns.clear();
    columns.extend((0..half).map(|k| phase(stillair_maths::fft::frequency(k, w), centre.0)));
    rows.clear();
    rows.extend((0..h).map(|k| phase(stillair_maths::fft::frequency(k, h), centre.1)));
    let tau_r = std::f64::consts::TAU * ellipse.radius_px;
    let det = (1.0 - ellipse.along * ellipse.along - ellipse.across * ellipse.across).max(1e-6);
    let area = (table.area * ellipse.radius_px * ellipse.radius_px * det.sqrt()) as f32;
    let (along, across2, tau_r) = (ellipse.along as f32, 2.0 * ellipse.across as f32, tau_r as f32);
    out.fill(Complex32::default());
    for &(number, fx, fy, nu) in active {
        let i = number as usize;
        let q = fx * fx * (1.0 + along) + fx * fy * across2 + fy * fy * (1.0 - along);
        let value = table.at(tau_r * q.max(0.0).sqrt()) * area * shape(i, nu);
        out[i] = columns[i % half] * rows[i / half] * value;
    }
}

impl<'a> Work<'a> {
    pub(super) fn new(canvas: &'a Canvas, channel: &'a Channel<'a>, start: &Start, noise: f64) -> Self {
        let mut scratch = Vec::new();
        let top = f64::from(stillair_maths::robust::percentile_f32(channel.picture, 99.0, &mut scratch));
        let low = f64::from(stillair_maths::robust::percentile_f32(channel.picture, 2.0, &mut scratch));
        let peak = (top - low).max(1e-9);
        let weight = |i: usize, v: f32| {
            let (x, y) = ((i % canvas.width) as f64, (i / canvas.width) as f64);
            let rho = start.ellipse.radius(x - start.centre_px.0, y - start.centre_px.1);
            let above = (f64::from(v) - low).max(0.0);
            let sigma2 = 4e-4 * peak * peak + noise * noise + 0.01 * above * above;
            let zone = if rho < 0.7 { 0.2 } else { 1.0 };
            (0.5 * zone / sigma2.sqrt()) as f32
        };
        let weights = channel.picture.iter().enumerate().map(|(i, v)| weight(i, *v)).collect();
        let powers = (0..=TABLE).map(|i| transfer::powers(i as f64 / TABLE as f64)).collect();
        let (active, tables) = (active(canvas, channel.cutoff), DiscTables::new(z_max(start)));
        Self { canvas, channel, weights, active, tables, powers }
    }

    pub(super) fn buffers(&self) -> Buffers {
        Buffers {
            spectrum: self.canvas.plan.spectrum(),
            model: vec![0.0; self.canvas.plan.width() * self.canvas.plan.height()],
            transform: self.canvas.plan.scratch(),
            columns: Vec::new(),
            rows: Vec::new(),
        }
    }

    /// Weighted residuals at common and own parameters, brightness and sky solved for.
    pub(super) fn evaluate(&self, common: &[f64], own: &[f64], table: &DiscTable, buffers: &mut Buffers) -> Evaluation {
        let (ellipse, seeing) = unpack(common);
        let air = seeing.at(self.channel.wavelength_nm);
        let blur: Vec<f32> = self.powers.iter().map(|p| air.at_powers(p) as f32).collect();
        let fixed = self.channel.fixed;
        spheroid(
            self.canvas,
            &self.active,
            table,
            &ellipse,
            (own[1], own[2]),
            &mut buffers.columns,
            &mut buffers.rows,
            &mut buffers.spectrum,
            |i, nu| fixed[i] * lookup(&blur, nu),
        );
        if let Some(bands) = self.channel.bands {
            for &(number, _, _, nu) in &self.active {
                let i = number as usize;
                buffers.spectrum[i] += bands[i] * (fixed[i] * lookup(&blur, nu));
            }
        }
        self.canvas.plan.inverse(&mut buffers.spectrum, &mut buffers.model, &mut buffers.transform);
        let (width, field) = (self.canvas.width, self.canvas.plan.width());
        let mut sums = [0.0_f64; 5];
        for ((row, from), w) in buffers
            .model
            .chunks_exact(field)
            .zip(self.channel.picture.chunks_exact(width))
            .zip(self.weights.chunks_exact(width))
        {
            let mut line = [0.0_f32; 5];
            for ((m, v), w) in row.iter().zip(from).zip(w) {
                let w2 = w * w;
                line[0] += w2 * m * m;
                line[1] += w2 * m;
                line[2] += w2;
                line[3] += w2 * m * v;
                line[4] += w2 * v;
            }
            for (s, l) in sums.iter_mut().zip(line) {
                *s += f64::from(l);
            }
        }
        let det = sums[0] * sums[2] - sums[1] * sums[1];
        let (brightness, sky) = if det > 0.0 {
            ((sums[3] * sums[2] - sums[4] * sums[1]) / det, (sums[4] * sums[0] - sums[3] * sums[1]) / det)
        } else {
            (0.0, 0.0)
        };
        let (gain, offset) = (brightness as f32, sky as f32);
        let mut residuals = Vec::with_capacity(self.weights.len());
        for ((row, from), w) in buffers
            .model
            .chunks_exact(field)
            .zip(self.channel.picture.chunks_exact(width))
            .zip(self.weights.chunks_exact(width))
        {
            residuals.extend(row.iter().zip(from).zip(w).map(|((m, v), w)| w * (v - gain * m - offset)));
        }
        Evaluation { residuals, brightness, sky }
    }
}

/// Part of the cut-off beyond which a blurred limb has nothing to tell.
pub(super) const HIGHEST: f64 = 0.85;

/// Coefficients below [`HIGHEST`] of the cut-off.
pub(super) fn active(canvas: &Canvas, cutoff: f64) -> Vec<(u32, f32, f32, f32)> {
    let mut list = Vec::new();
    for (i, (fx, fy)) in canvas.frequencies().enumerate() {
        let nu = libm::hypot(fx, fy) / cutoff;
        if nu < HIGHEST {
            list.push((i as u32, fx as f32, fy as f32, (nu * TABLE as f64) as f32));
        }
    }
    list
}

pub(super) fn z_max(start: &Start) -> f64 {
    // The field's corner, with room for a growing radius.
    std::f64::consts::TAU * std::f64::consts::FRAC_1_SQRT_2 * start.ellipse.radius_px * 1.6
}

#[inline]
pub(super) fn lookup(table: &[f32], at: f32) -> f32 {
    let i = (at as usize).min(TABLE - 1);
    let t = at - i as f32;
    table[i] + t * (table[i + 1] - table[i])
}
