//! The plane that every grade looks at, the light and noise that it is normalised with, and the sampling.
//!
//! From a colour mosaic the green samples are interpolated (a raw mosaic would show its checkerboard as detail); RGB
//! frames give green, mono frames themselves. A sample that stands off its four nearest of the same colour by more
//! than 6 sigma of noise is a hot or dead pixel and is brought back: one hot pixel would win any percentile.

use stillair_api::light::{COLOUR_NM, UNSTATED_NM};
use stillair_api::{Description, Facts, Fault, Frame, Layout, Outcome, PortType, Row, columns};
use stillair_maths::mosaic::green_interpolate;

/// How far a sample may stand off its neighbours, in sigma.
const HOT: f64 = 6.0;
/// Sampling that is assumed where the session does not tell it: pixels per lambda over D.
const USUAL_SAMPLING: f64 = 2.4;

/// The facts that [`sampling`] reads.
pub(crate) fn with_sampling_facts(description: Description) -> Description {
    description
        .fact("telescope.aperture_mm")
        .fact("telescope.focal_mm")
        .fact("camera.pixel_um")
        .fact("camera.wavelength_nm")
}

/// The ports that every grade has.
pub(crate) fn with_ports(description: Description) -> Description {
    description
        .contract("grade")
        .input("frames", PortType::Frames, "frames or windows of frames, raw or in colour")
        .input("table", PortType::Table, "light, sky and noise of each frame")
        .output("table", PortType::Table, "the table with a grade for each frame")
        .needs("table", columns::FLUX)
}

/// Pixels per lambda over D: `lambda f / (D p)`, 2.4 where a fact is missing. Not below 1, where nothing is resolved
/// anyway, nor above 20.
pub(crate) fn sampling(facts: &Facts, layout: Layout) -> f64 {
    let usual_nm = if layout == Layout::Mono { UNSTATED_NM } else { COLOUR_NM[1] };
    let wavelength_um = 1e-3 * facts.number("camera.wavelength_nm").unwrap_or(usual_nm);
    let product = || {
        let focal_mm = facts.number("telescope.focal_mm")?;
        let aperture_mm = facts.number("telescope.aperture_mm")?;
        let pixel_um = facts.number("camera.pixel_um")?;
        Some(wavelength_um * focal_mm / (aperture_mm * pixel_um))
    };
    product().filter(|q| q.is_finite() && *q > 0.0).unwrap_or(USUAL_SAMPLING).clamp(1.0, 20.0)
}

/// Light and noise of one frame, from its row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Light {
    /// Light of the target above the sky.
    pub flux: f64,
    /// Area of the target, square px; NaN where unknown.
    pub area_px: f64,
    /// Variance of a sky pixel.
    pub sky_variance: f64,
    /// Variance of a pixel on the target.
    pub target_variance: f64,
}

impl Light {
    /// Reads a row. A missing noise counts as none, a missing noise on the target as that of the sky.
    ///
    /// # Errors
    /// If the table has no column of fluxes.
    pub fn of(row: &Row<'_>) -> Outcome<Self> {
        let flux = row.get(columns::FLUX).ok_or_else(|| {
            Fault::request("the table linked to `table` has no column flux").remedy("link find.disc to `table`")
        })?;
        let square = |name: &str| Some(row.number(name)).filter(|v| v.is_finite()).map(|v| v * v);
        let sky_variance = square(columns::NOISE).unwrap_or(0.0);
        let target_variance = square("target_noise").unwrap_or(sky_variance).max(sky_variance);
        let radius = row.number(columns::RADIUS_PX);
        Ok(Self { flux, area_px: std::f64::consts::PI * radius * radius, sky_variance, target_variance })
    }

    /// Whether there is light to normalise with.
    pub fn is_lit(&self) -> bool {
        self.flux > 0.0 && self.flux.is_finite()
    }

    /// Mean variance over a window of `area_px` pixels: sky everywhere, shot noise in proportion to the light.
    pub fn mean_variance(&self, area_px: usize) -> f64 {
        let share = self.area_px / area_px as f64;
        let share = if share.is_finite() { share.min(1.0) } else { 1.0 };
        self.sky_variance + share * (self.target_variance - self.sky_variance)
    }
}

/// Buffers for [`green`].
#[derive(Debug, Default)]
pub(crate) struct GreenBuffers {
    cleaned: Vec<f32>,
    pub plane: Vec<f32>,
}

/// Brings samples back that stand off four neighbours at `offsets` in the rows above, here and below.
fn clean(source: &[f32], width: usize, diagonal: bool, tolerance: f32, out: &mut Vec<f32>) {
    out.clear();
    out.extend_from_slice(source);
    if width < 3 || source.len() < 3 * width || !tolerance.is_finite() {
        return;
    }
    clean_rim(source, width, tolerance, out);
    for (y, rows) in source.windows(3 * width).step_by(width).enumerate() {
        let (above, rest) = rows.split_at(width);
        let (here, below) = rest.split_at(width);
        let target = &mut out[(y + 1) * width + 1..(y + 2) * width - 1];
        let n = target.len();
        let [a, b, c, d] = if diagonal {
            [&above[..n], &above[2..n + 2], &below[..n], &below[2..n + 2]]
        } else {
            [&above[1..n + 1], &below[1..n + 1], &here[..n], &here[2..n + 2]]
        };
        let smaller = |p: f32, q: f32| if p < q { p } else { q };
        let larger = |p: f32, q: f32| if p > q { p } else { q };
        for (i, value) in target.iter_mut().enumerate() {
            let least = smaller(smaller(a[i], b[i]), smaller(c[i], d[i])) - tolerance;
            let most = larger(larger(a[i], b[i]), larger(c[i], d[i])) + tolerance;
            *value = smaller(larger(*value, least), most);
        }
    }
}

/// Brings samples of the outermost rows and columns back to the one of the same colour two pixels further in.
fn clean_rim(source: &[f32], width: usize, tolerance: f32, out: &mut [f32]) {
    let height = source.len() / width;
    let mut hold = |at: usize, inner: usize| {
        let (least, most) = (source[inner] - tolerance, source[inner] + tolerance);
        if out[at] < least {
            out[at] = least;
        } else if out[at] > most {
            out[at] = most;
        }
    };
    for x in 0..width {
        hold(x, 2 * width + x);
        hold((height - 1) * width + x, (height - 3) * width + x);
    }
    for y in 1..height - 1 {
        hold(y * width, y * width + 2);
        hold((y + 1) * width - 1, (y + 1) * width - 3);
    }
}

/// The green plane of a frame without hot pixels; `noise` is the largest standard deviation of a pixel.
pub(crate) fn green<'a>(frame: &Frame, noise: f64, buffers: &'a mut GreenBuffers) -> &'a [f32] {
    let (width, height) = (frame.width(), frame.height());
    let tolerance = (HOT * noise) as f32;
    match frame.layout {
        Layout::Mosaic(pattern) => {
            // Diagonal neighbours of a green sample are green.
            clean(frame.plane(0), width, true, tolerance, &mut buffers.cleaned);
            buffers.plane.resize(width * height, 0.0);
            let parity = usize::from(pattern.colour_at(0, 0) != 1);
            green_interpolate(&buffers.cleaned, width, height, parity, &mut buffers.plane);
        }
        Layout::Mono => clean(frame.plane(0), width, false, tolerance, &mut buffers.plane),
        Layout::Rgb => clean(frame.plane(1), width, false, tolerance, &mut buffers.plane),
    }
    &buffers.plane
}

/// Mean square of a linear filter's output for white noise of variance 1 in the raw frame, found by its answer to a
/// single sample: the sum of the squares of the answer, times the share of samples that are green. `filter` turns a
/// green plane of the given size into the energy of each pixel.
pub(crate) fn noise_gain(layout: Layout, side: usize, filter: impl FnOnce(&[f32], usize) -> f64) -> f64 {
    let mut frame = Frame::empty();
    frame.reshape(0, stillair_api::Region::whole(side, side), layout);
    let mut share = 1.0;
    let (mut x, y) = (side / 2, side / 2);
    if let Layout::Mosaic(pattern) = layout {
        share = 0.5;
        if pattern.colour_at(x, y) != 1 {
            x += 1;
        }
    }
    let plane = if layout == Layout::Rgb { 1 } else { 0 };
    frame.plane_mut(plane)[y * side + x] = 1.0;
    let mut buffers = GreenBuffers::default();
    share * filter(green(&frame, f64::INFINITY, &mut buffers), side)
}

/// The value below which all but `share` of the values lie, as the exact order statistic. A sample of every 16th value
/// bounds what has to be ordered.
pub(crate) fn upper_value(values: &[f32], share: f64, scratch: &mut Vec<f32>) -> f32 {
    let Some(last) = values.len().checked_sub(1) else { return f32::NAN };
    let above = (share * last as f64) as usize;
    scratch.clear();
    scratch.extend(values.iter().step_by(16));
    let sampled = scratch.len();
    let rank = (sampled - 1).saturating_sub((3.0 * share * sampled as f64) as usize + 8);
    let bound = *scratch.select_nth_unstable_by(rank, f32::total_cmp).1;
    scratch.clear();
    scratch.extend(values.iter().filter(|&&v| v > bound));
    if scratch.len() <= above {
        scratch.clear();
        scratch.extend_from_slice(values);
    }
    let rank = scratch.len() - 1 - above;
    *scratch.select_nth_unstable_by(rank, f32::total_cmp).1
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use stillair_api::{FactOrigin, FactValue, Pattern, Region};

    /// Sum of twelve uniform numbers less six: variance 1 by definition.
    pub(crate) fn normal(state: &mut u64) -> f32 {
        let mut total = -6.0;
        for _ in 0..12 {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            total += (*state >> 40) as f32 / (1_u64 << 24) as f32;
        }
        total
    }

    /// A window with a disc of radius 30 px that is blurred at its limb over `blur_px`, with a few belts.
    pub(crate) struct Scene {
        pub layout: Layout,
        pub centre: [f32; 2],
        pub blur_px: f32,
        pub light: f32,
        pub shot: f32,
        pub read: f32,
    }

    impl Scene {
        pub(crate) const SIDE: usize = 96;

        pub(crate) fn new(layout: Layout, blur_px: f32, light: f32) -> Self {
            Self { layout, centre: [47.3, 48.1], blur_px, light, shot: 0.0, read: 0.0 }
        }

        pub(crate) fn value(&self, x: f32, y: f32) -> f32 {
            let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
            let limb = 1.0 / (1.0 + ((dx.hypot(dy) - 30.0) / self.blur_px).exp());
            let belts = (0.7 * dy).sin() * (-0.5 * (0.7 * self.blur_px).powi(2)).exp();
            self.light * limb * (1.0 + 0.2 * belts)
        }

        pub(crate) fn frame(&self, index: usize) -> Frame {
            let mut state = 99 + 1013 * index as u64;
            let mut frame = Frame::empty();
            frame.reshape(index, Region::whole(Self::SIDE, Self::SIDE), self.layout);
            for plane in 0..self.layout.planes() {
                for y in 0..Self::SIDE {
                    for x in 0..Self::SIDE {
                        let colour = if let Layout::Mosaic(p) = self.layout { p.colour_at(x, y) } else { plane };
                        let tint = if self.layout == Layout::Mono { 1.0 } else { [0.9, 1.0, 0.5][colour] };
                        let light = tint * self.value(x as f32, y as f32);
                        let sigma = (self.read * self.read + self.shot * light).sqrt();
                        frame.plane_mut(plane)[y * Self::SIDE + x] = 0.02 + light + sigma * normal(&mut state);
                    }
                }
            }
            frame
        }

        /// The row that find.disc would give: flux, radius, noise of sky and target.
        pub(crate) fn row(&self) -> [f64; 4] {
            let all = (0..Self::SIDE * Self::SIDE).map(|i| self.value((i % 96) as f32, (i / 96) as f32));
            let flux: f64 = all.map(f64::from).sum();
            let target = (self.read * self.read + self.shot * self.light).sqrt();
            [flux, 30.0, f64::from(self.read), f64::from(target)]
        }
    }

    #[test]
    fn sampling_comes_from_the_facts_and_is_usual_without() {
        let mut facts = Facts::default();
        assert_eq!(sampling(&facts, Layout::Mono), 2.4);
        for (name, value) in
            [("telescope.aperture_mm", 200.0), ("telescope.focal_mm", 4000.0), ("camera.pixel_um", 2.9)]
        {
            facts.set(name, FactValue::Number(value), FactOrigin::Session);
        }
        // 0.55 um * 4000 mm / (200 mm * 2.9 um).
        assert!((sampling(&facts, Layout::Mono) - 3.793).abs() < 1e-3);
    }

    #[test]
    fn hot_and_dead_pixels_are_brought_back_and_edges_kept() {
        for layout in [Layout::Mono, Layout::Mosaic(Pattern::Gbrg)] {
            let clear = Scene::new(layout, 1.0, 0.5).frame(0);
            let mut broken = clear.clone();
            for i in 0..20 {
                broken.data[300 + i * 423] = if i % 2 == 0 { 1.0 } else { 0.0 };
            }
            let (mut a, mut b) = (GreenBuffers::default(), GreenBuffers::default());
            let off = green(&clear, 0.003, &mut a).iter().zip(green(&broken, 0.003, &mut b));
            let worst = off.map(|(p, q)| (p - q).abs()).fold(0.0, f32::max);
            // A sample comes back to its nearest neighbour, which on the limb is off by the slope over one pixel:
            // 0.5 / 4 for a logistic limb of 1 px.
            assert!(worst < 0.125, "{layout:?} {worst}");
        }
    }

    // Direct sorting.
    #[test]
    fn the_upper_value_is_the_order_statistic() {
        let mut state = 5;
        for n in [1, 2, 40, 1000, 12_544] {
            let values: Vec<f32> = (0..n).map(|_| normal(&mut state)).collect();
            let mut sorted = values.clone();
            sorted.sort_by(f32::total_cmp);
            for share in [0.0, 0.01, 0.5] {
                let expected = sorted[n - 1 - (share * (n - 1) as f64) as usize];
                assert_eq!(upper_value(&values, share, &mut Vec::new()), expected, "{n} {share}");
            }
        }
        let flat = vec![1.0; 500];
        assert_eq!(upper_value(&flat, 0.01, &mut Vec::new()), 1.0);
    }
}
