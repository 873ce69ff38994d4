//! One frame's patches against those of the reference.

use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch};
use stillair_maths::projection::Projection;
use stillair_maths::registration::{BandSet, NewtonScratch, newton_shift, shift_covariance, whitening};
use stillair_maths::window::{apply, hann};

use super::grid::Grid;

/// Most Newton steps.
const STEPS: usize = 6;

/// Share of a single frame's noise that weighs against the reference's power.
const NOISE_SHARE: f32 = 0.5;

/// Share of a patch's side by which its window may be moved back into the frame.
const MOVED: f64 = 0.25;

/// What is seen of a patch in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Shift against where the global motion puts it, px; NaN where not measured.
    pub shift: [f32; 2],
    /// Projection onto the reference; NaN where not measured.
    pub grade: f32,
}

impl Seen {
    const NOTHING: Self = Self { shift: [f32::NAN; 2], grade: f32::NAN };
}

/// A patch of the reference.
struct Target {
    packed: Vec<Complex32>,
    weights: Vec<f32>,
    projection: Projection,
}

/// The reference's patches, ready to be compared with.
pub struct Look {
    plan: Fft2,
    band: BandSet,
    grade_band: BandSet,
    window: Vec<f32>,
    /// One for each patch; `None` where there is too little structure.
    targets: Vec<Option<Target>>,
    /// Covariance xx, xy, yy of each patch's shift from noise, px^2; infinite where not used.
    noise: Vec<[f64; 3]>,
}

/// Buffers of one thread.
#[derive(Default)]
pub struct LookScratch {
    cut: Vec<f32>,
    windowed: Vec<f32>,
    spectrum: Vec<Complex32>,
    fft: Fft2Scratch,
    packed: Vec<Complex32>,
    grade_packed: Vec<Complex32>,
    newton: NewtonScratch,
}

impl Look {
    /// Cuts the reference up. `bands`: of registration, then of grading, low and high, cycles per px; `noise`:
    /// standard deviation of a frame's pixel; `doubt`: largest standard deviation of a shift.
    pub fn new(grid: &Grid, reference: &[f32], bands: [f64; 4], exponent: f64, noise: f64, doubt: f64) -> Self {
        let side = grid.side;
        let plan = Fft2::new(side, side);
        let band = BandSet::new(side, side, bands[0], bands[1]);
        let grade_band = BandSet::new(side, side, bands[2], bands[3]);
        let window = hann(side);
        let energy = stillair_maths::dot(&window, &window);
        let noise_power = noise * noise * energy * energy;
        let mut look = Self { plan, band, grade_band, window, targets: Vec::new(), noise: Vec::new() };
        let mut scratch = LookScratch::default();
        for patch in 0..grid.count() {
            look.cut(grid, reference, grid.corner(patch), &mut scratch);
            let packed = look.band.gather(&scratch.spectrum);
            let mut weights = whitening(&look.band, &packed, exponent);
            for (weight, r) in weights.iter_mut().zip(&packed) {
                let power = r.norm_sqr();
                if power > 0.0 {
                    *weight *= power / (power + NOISE_SHARE * noise_power as f32);
                }
            }
            let [[xx, xy], [_, yy]] = shift_covariance(&look.band, &packed, &weights, noise_power);
            // The larger of the two variances.
            let largest = 0.5 * (xx + yy) + libm::hypot(0.5 * (xx - yy), xy);
            let power: f32 = packed.iter().map(|r| r.norm_sqr()).sum();
            let used = largest.is_finite() && largest < doubt * doubt && power > 0.0;
            look.noise.push(if used { [xx, xy, yy] } else { [f64::INFINITY, 0.0, f64::INFINITY] });
            let projection = Projection::new(&look.grade_band, look.grade_band.gather(&scratch.spectrum), noise_power);
            look.targets.push(used.then_some(Target { packed, weights, projection }));
        }
        look
    }

    /// Number of patches with structure enough.
    pub fn used(&self) -> usize {
        self.targets.iter().flatten().count()
    }

    /// Covariance of each patch's shift, infinite where it is not used.
    pub fn noise(&self) -> &[[f64; 3]] {
        &self.noise
    }

    /// The spectrum of the patch whose first pixel is `corner`, inside the plane.
    fn cut(&self, grid: &Grid, plane: &[f32], corner: [usize; 2], scratch: &mut LookScratch) {
        let side = grid.side;
        let area = side * side;
        scratch.cut.resize(area, 0.0);
        scratch.windowed.resize(area, 0.0);
        scratch.spectrum.resize(self.plan.spectrum_len(), Complex32::default());
        for (y, row) in scratch.cut.chunks_exact_mut(side).enumerate() {
            let from = (corner[1] + y) * grid.size[0] + corner[0];
            row.copy_from_slice(&plane[from..from + side]);
        }
        apply(&scratch.cut, &self.window, &self.window, &mut scratch.windowed);
        self.plan.forward(&scratch.windowed, &mut scratch.spectrum, &mut scratch.fft);
    }

    /// Looks at all patches of a frame; `displaced` tells how far the content at a place of the picture is displaced.
    pub fn frame(
        &self,
        grid: &Grid,
        plane: &[f32],
        displaced: impl Fn([f64; 2]) -> [f64; 2],
        scratch: &mut LookScratch,
        out: &mut Vec<Seen>,
    ) {
        out.clear();
        for (patch, target) in self.targets.iter().enumerate() {
            let Some(target) = target else {
                out.push(Seen::NOTHING);
                continue;
            };
            let corner = grid.corner(patch);
            let expected = displaced(grid.centre(patch));
            let mut cut = [0_usize; 2];
            let mut start = [0.0; 2];
            let mut inside = true;
            for k in 0..2 {
                let wished = corner[k] as f64 + expected[k];
                let placed = libm::round(wished).clamp(0.0, (grid.size[k] - grid.side) as f64);
                inside &= (placed - wished).abs() <= MOVED * grid.side as f64;
                cut[k] = placed as usize;
                start[k] = wished - placed;
            }
            if !inside {
                out.push(Seen::NOTHING);
                continue;
            }
            self.cut(grid, plane, cut, scratch);
            self.band.gather_into(&scratch.spectrum, &mut scratch.packed);
            let fit = newton_shift(
                &self.band,
                &scratch.packed,
                &target.packed,
                &target.weights,
                (start[0], start[1]),
                STEPS,
                &mut scratch.newton,
            );
            if fit.correlation.is_nan() || fit.correlation <= 0.0 {
                out.push(Seen::NOTHING);
                continue;
            }
            self.grade_band.gather_into(&scratch.spectrum, &mut scratch.grade_packed);
            let shift = (fit.dx, fit.dy);
            let grade = target.projection.grade(&self.grade_band, &scratch.grade_packed, shift, &mut scratch.newton);
            out.push(Seen { shift: [(fit.dx - start[0]) as f32, (fit.dy - start[1]) as f32], grade: grade as f32 });
        }
    }
}
