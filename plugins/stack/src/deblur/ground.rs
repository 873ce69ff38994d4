//! The weighted mean that frames are held against, and the parts of the field whose blur is told apart.
//!
//! The whole field is one part, or it is cut into patches that overlap by half under windows `sin^2(pi (i + 1/2) / n)`
//! along each axis. The windows add up to 1, so the patches' results add up to the picture, without seams.

use std::ops::Range;

use stillair_api::{Context, Image, gather};
use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch, frequency};
use stillair_maths::rings::Rings;

use super::family::{Operator, OperatorScratch};
use crate::resample::{Canvas, Cover, Resampled, Workspace};

/// Pixels over which a frame's edge runs into the mean.
const EDGE_PX: usize = 8;
/// Least side of a patch, px: kernels reach 7 px.
const LEAST_PX: usize = 32;
/// A part of less than this share of the brightest part's variance is sky, which tells no blur.
const LIT: f64 = 1e-3;

/// Telescope, sampling and mosaic, as far as blur goes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sampling {
    /// Cut-off, cycles per px.
    pub(super) cutoff: f64,
    /// Px per lambda/D.
    pub(super) resolution_px: f64,
    /// Whether colours were filled in from a mosaic.
    pub(super) interpolated: bool,
}

/// How a field is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Cut {
    /// Sides of a part, px.
    pub(super) size: [usize; 2],
    /// Parts along each axis.
    pub(super) count: [usize; 2],
}

impl Cut {
    /// The whole field, or patches of about `patch_px` px, at least [`LEAST_PX`]; the whole too where a patch would be as
    /// large as the field is high or wide.
    pub(super) fn of(width: usize, height: usize, patch_px: Option<f64>) -> Self {
        let side = patch_px.map_or(0, |px| 4 * libm::round(px / 4.0).max(0.0) as usize).max(LEAST_PX);
        if patch_px.is_none() || side >= width.min(height) {
            return Self { size: [width, height], count: [1, 1] };
        }
        // From half a patch before the field's beginning to its end.
        Self { size: [side, side], count: [width, height].map(|n| n.div_ceil(side / 2) + 1) }
    }

    /// Whether the field is one part.
    pub(super) fn whole(&self) -> bool {
        self.count == [1, 1]
    }

    /// Number of parts.
    pub(super) fn parts(&self) -> usize {
        self.count[0] * self.count[1]
    }

    /// Upper left corner of a part.
    fn corner(&self, part: usize) -> [isize; 2] {
        if self.whole() {
            return [0, 0];
        }
        let half = self.size.map(|n| (n / 2) as isize);
        let at = [part % self.count[0], part / self.count[0]];
        [0, 1].map(|k| (at[k] as isize - 1) * half[k])
    }
}

/// The weighted mean and what the sweeps after it need.
pub(super) struct Ground {
    pub(super) canvas: Canvas,
    pub(super) mean: Image,
    /// 1 inside, falling to 0 at the picture's edge.
    pub(super) edge: Vec<f32>,
    pub(super) cut: Cut,
    /// Cut-off, cycles per px.
    pub(super) cutoff: f64,
    pub(super) plan: Fft2,
    pub(super) rings: Rings,
    /// A patch's window; empty where the field is one part.
    window: Vec<f32>,
    /// Of each part, from its spectrum to its kernel; `None` where there is but sky.
    pub(super) operators: Vec<Option<Operator>>,
    /// Coefficients that hold noise alone, and the mean of the noise's shape squared there.
    noise_at: Vec<usize>,
    noise_shape: f64,
    /// Amplitude of the noise for every coefficient.
    pub(super) shape: Vec<f32>,
}

/// Buffers of one thread.
pub(super) struct Buffers {
    pub(super) work: Workspace,
    /// Planes of a frame, run into the mean.
    pub(super) fields: Vec<Vec<f32>>,
    pub(super) cell: Vec<f32>,
    pub(super) spectrum: Vec<Complex32>,
    pub(super) transfer: Vec<Complex32>,
    pub(super) fft: Fft2Scratch,
    pub(super) operator: OperatorScratch,
}

/// 0 at the border, 1 from [`EDGE_PX`] on, of a line of `n` samples.
fn ramp(at: usize, n: usize) -> f32 {
    let depth = (at.min(n - 1 - at) as f32 + 0.5) / EDGE_PX as f32;
    if depth >= 1.0 { 1.0 } else { 0.5 - 0.5 * libm::cosf(std::f32::consts::PI * depth) }
}

impl Ground {
    pub(super) fn new(context: &dyn Context, mean: Image, sampling: Sampling, patch_px: Option<f64>) -> Self {
        let Sampling { cutoff, resolution_px, interpolated } = sampling;
        let canvas = Canvas::new(mean.width, mean.height, mean.channels);
        let cut = Cut::of(canvas.width, canvas.height, patch_px);
        let [width, height] = cut.size;
        let plan = Fft2::new(width, height);
        let frequencies =
            |i: usize| (frequency(i % plan.half_width(), width), frequency(i / plan.half_width(), height));
        // Filling in the green of a mosaic averages neighbours: (2 + cos 2 pi u + cos 2 pi v) / 4.
        let shape: Vec<f32> = (0..plan.spectrum_len())
            .map(|i| {
                let (u, v) = frequencies(i);
                let turn = |f: f64| libm::cos(std::f64::consts::TAU * f);
                if interpolated { ((2.0 + turn(u) + turn(v)) / 4.0) as f32 } else { 1.0 }
            })
            .collect();
        // Beyond the cut-off there is no light; where the grid ends before, its corners serve.
        let from = (1.05 * cutoff).min(0.5);
        let noise_at: Vec<usize> = (0..plan.spectrum_len())
            .filter(|&i| {
                let (u, v) = frequencies(i);
                libm::hypot(u, v) > from && shape[i] > 0.15
            })
            .collect();
        let squares: f64 = noise_at.iter().map(|&i| f64::from(shape[i] * shape[i])).sum();
        let noise_shape = squares / noise_at.len().max(1) as f64;
        let window: Vec<f32> = if cut.whole() {
            Vec::new()
        } else {
            let line = |n: usize| -> Vec<f32> {
                (0..n)
                    .map(|i| {
                        let sine = libm::sin(std::f64::consts::PI * (i as f64 + 0.5) / n as f64);
                        (sine * sine) as f32
                    })
                    .collect()
            };
            let (columns, rows) = (line(width), line(height));
            rows.iter().flat_map(|r| columns.iter().map(move |c| r * c)).collect()
        };
        let edge = (0..canvas.area())
            .map(|i| ramp(i % canvas.width, canvas.width) * ramp(i / canvas.width, canvas.height))
            .collect();
        let rings = Rings::new(width, height);
        let mut ground = Self {
            canvas,
            mean,
            edge,
            cut,
            cutoff,
            plan,
            rings,
            window,
            operators: Vec::new(),
            noise_at,
            noise_shape,
            shape,
        };
        let middle = ground.mean.channel(ground.canvas.planes / 2);
        let variance: Vec<f64> = (0..cut.parts()).map(|part| ground.variance(part, middle)).collect();
        let most = variance.iter().copied().fold(0.0, f64::max);
        let operators = gather(context, cut.parts(), |part| {
            (variance[part] > LIT * most || cut.whole()).then(|| {
                let (mut cell, mut spectrum) = (Vec::new(), ground.plan.spectrum());
                ground.cell(part, middle, &mut cell);
                ground.plan.forward(&cell, &mut spectrum, &mut ground.plan.scratch());
                let own = mean_power(&spectrum, &ground.noise_at);
                Operator::new(&ground.plan, &spectrum, cutoff, resolution_px, own)
            })
        });
        ground.operators = operators;
        ground
    }

    /// How much of a frame's noise a part holds at each of its pixels: its window, less what runs into the mean at the
    /// field's edge, over the root of the mean square.
    pub(super) fn noise_window(&self, part: usize) -> Vec<f32> {
        let mut cell = Vec::new();
        self.cell(part, &self.edge, &mut cell);
        let square = cell.iter().map(|w| f64::from(w * w)).sum::<f64>() / cell.len().max(1) as f64;
        cell.iter_mut().for_each(|w| *w = (f64::from(*w) / square.sqrt().max(1e-9)) as f32);
        cell
    }

    /// Variance of a field within a part, under its window.
    fn variance(&self, part: usize, field: &[f32]) -> f64 {
        let mut cell = Vec::new();
        self.cell(part, field, &mut cell);
        let (mut squares, mut sum, mut weight) = (0.0, 0.0, 0.0);
        for (i, v) in cell.iter().enumerate() {
            let w = f64::from(self.window.get(i).copied().unwrap_or(1.0)).max(1e-6);
            let plain = f64::from(*v) / w;
            squares += w * plain * plain;
            sum += w * plain;
            weight += w;
        }
        (squares / weight - (sum / weight) * (sum / weight)).max(0.0)
    }

    /// A part of a field under its window; beyond the field its border goes on.
    pub(super) fn cell(&self, part: usize, field: &[f32], out: &mut Vec<f32>) {
        out.clear();
        if self.cut.whole() {
            out.extend_from_slice(field);
            return;
        }
        let [x, y] = self.cut.corner(part);
        let [width, height] = self.cut.size;
        let within = |at: isize, n: usize| at.clamp(0, n as isize - 1) as usize;
        for (row, window) in (0..height).zip(self.window.chunks_exact(width)) {
            let line = within(y + row as isize, self.canvas.height) * self.canvas.width;
            let values = (0..width).map(|column| field[line + within(x + column as isize, self.canvas.width)]);
            out.extend(values.zip(window).map(|(v, w)| v * w));
        }
    }

    /// Adds a part in its place.
    pub(super) fn add_cell(&self, part: usize, cell: &[f32], out: &mut [f32]) {
        let [x, y] = self.cut.corner(part);
        let [width, height] = self.cut.size;
        for row in 0..height {
            let Some(line) = usize::try_from(y + row as isize).ok().filter(|l| *l < self.canvas.height) else {
                continue;
            };
            for column in 0..width {
                let Some(at) = usize::try_from(x + column as isize).ok().filter(|c| *c < self.canvas.width) else {
                    continue;
                };
                out[line * self.canvas.width + at] += cell[row * width + column];
            }
        }
    }

    /// A plane of a placed frame, run into the mean where the frame ends.
    fn field(&self, frame: &Resampled, plane: usize, out: &mut Vec<f32>) {
        let (area, width) = (self.canvas.area(), self.canvas.width);
        let mean = self.mean.channel(plane);
        let own = &frame.data[plane * area..(plane + 1) * area];
        out.clear();
        match &frame.cover {
            Cover::Rectangles(rectangles) => {
                let [xa, xb, ya, yb] = rectangles[plane];
                out.extend(own.iter().zip(mean).enumerate().map(|(i, (v, m))| {
                    let (x, y) = (i % width, i / width);
                    if x < xa || x >= xb || y < ya || y >= yb {
                        return *m;
                    }
                    m + (v - m) * ramp(x - xa, xb - xa) * ramp(y - ya, yb - ya)
                }));
            }
            Cover::Factors => {
                let factors = &frame.factors[plane * area..(plane + 1) * area];
                let lines = own.iter().zip(mean).zip(factors.iter().zip(&self.edge));
                out.extend(lines.map(|((v, m), (f, e))| if *f > 0.0 { m + (v - m) * e } else { *m }));
            }
        }
    }

    /// Takes planes of a placed frame into the buffers.
    pub(super) fn take(&self, frame: &Resampled, planes: Range<usize>, buffers: &mut Buffers) {
        buffers.fields.resize_with(self.canvas.planes, Vec::new);
        for plane in planes {
            self.field(frame, plane, &mut buffers.fields[plane]);
        }
    }

    /// Transform of a part of a plane that was taken.
    pub(super) fn spectrum(&self, part: usize, plane: usize, buffers: &mut Buffers) {
        self.cell(part, &buffers.fields[plane], &mut buffers.cell);
        buffers.spectrum.resize(self.plan.spectrum_len(), Complex32::default());
        self.plan.forward(&buffers.cell, &mut buffers.spectrum, &mut buffers.fft);
    }

    /// Noise power of a part of a frame, white before its shape.
    pub(super) fn noise(&self, spectrum: &[Complex32]) -> f64 {
        mean_power(spectrum, &self.noise_at) / self.noise_shape.max(1e-6)
    }
}

fn mean_power(spectrum: &[Complex32], at: &[usize]) -> f64 {
    at.iter().map(|&i| f64::from(spectrum[i].norm_sqr())).sum::<f64>() / at.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::TestContext;

    fn ground(patch_px: Option<f64>) -> Ground {
        let mut mean = Image::new(70, 50, 1);
        mean.data.iter_mut().enumerate().for_each(|(i, v)| *v = ((i * 37) % 101) as f32);
        let sampling = Sampling { cutoff: 0.35, resolution_px: 2.9, interpolated: false };
        Ground::new(&TestContext::default(), mean, sampling, patch_px)
    }

    // sin^2 and the sin^2 half a period on, which is cos^2, add up to 1.
    #[test]
    fn patches_add_up_to_the_field() {
        for patch_px in [None, Some(33.0)] {
            let ground = ground(patch_px);
            assert_eq!(ground.cut.parts(), if patch_px.is_some() { 6 * 5 } else { 1 });
            let field: Vec<f32> = (0..70 * 50).map(|i| ((i * 53) % 211) as f32).collect();
            let (mut sum, mut cell) = (vec![0.0; field.len()], Vec::new());
            for part in 0..ground.cut.parts() {
                ground.cell(part, &field, &mut cell);
                ground.add_cell(part, &cell, &mut sum);
            }
            for (s, f) in sum.iter().zip(&field) {
                assert!((s - f).abs() < 1e-3, "{s} {f}");
            }
        }
    }

    #[test]
    fn sky_alone_tells_no_blur() {
        let mut mean = Image::new(128, 64, 1);
        for (i, v) in mean.data.iter_mut().enumerate() {
            let lit = i % 128 < 40;
            *v = if lit { 100.0 + ((i * 37) % 31) as f32 } else { 1.0 + ((i * 37) % 31) as f32 * 1e-3 };
        }
        let sampling = Sampling { cutoff: 0.35, resolution_px: 2.9, interpolated: false };
        let ground = Ground::new(&TestContext::default(), mean, sampling, Some(32.0));
        let tried = ground.operators.iter().filter(|o| o.is_some()).count();
        assert_eq!(ground.operators.len(), 9 * 5);
        assert!(tried > 10 && tried < 25, "{tried}");
    }
}
