//! A model of ringed Saturn's globe, with brightnesses from the stack.
//!
//! The object is a sum of pieces with sharp edges, in the places that their geometry gives: the globe where no ring lies in
//! front of it (`mu^p` for two p, and one of them times the place along the pole's direction and its square, for belts and poles), annuli
//! of the ring plane where the globe does not hide them, and strips of rings in front of the globe. Each piece, blurred by
//! the stack's transfer, is drawn, and their brightnesses follow by linear least squares over all pixels; centre and scale
//! with them, linearised and repeated (Gauss-Newton). Where north and south are not told apart, the side on which the
//! rings pass in front is the one that leaves less. The globe alone is then set apart, whole. The rings stay with the
//! rest: their structure is finer than annuli, and setting them apart too lost 0.6 to 2.7 dB on three of four simulated
//! clips.

use nalgebra::{DMatrix, DVector};
use stillair_api::{Context, Globe, gather};
use stillair_maths::fft::{Complex32, Fft2Scratch};
use stillair_maths::mtf;

use super::canvas::Canvas;
use super::limb::{self, ChannelFit, Ellipse, LimbFit};
use super::transfer::Seeing;

/// Edges of the annuli, equatorial radii of the globe (60 268 km): C ring 74 658 to 92 000 km, B ring to 117 580, A ring
/// 122 170 to 136 775, the Cassini division between them (NASA, Saturnian Rings Fact Sheet, from memory); the broad rings
/// cut where their brightness changes.
const EDGES: [f64; 9] = [1.2388, 1.39, 1.5265, 1.65, 1.80, 1.9510, 2.0271, 2.15, 2.2695];
/// Annuli.
const ANNULI: usize = EDGES.len() - 1;
/// Annuli from which on the strips in front of the globe are those of the C, B and A rings.
const STRIPS: [usize; 3] = [0, 2, 6];
/// Pieces of the globe.
const GLOBE: usize = 4;
/// All pieces.
const PIECES: usize = GLOBE + ANNULI + STRIPS.len();
/// Exponents of the globe's two darkenings.
const EXPONENTS: [f64; 2] = [0.4, 1.2];
/// Exponent that stands for the globe where one is wanted.
const NOMINAL: f64 = 0.65;
/// Samples along each axis of a pixel.
const FINE: usize = 4;
/// Rounds of least squares.
const ROUNDS: usize = 3;
/// Step for the derivative by the scale.
const SCALE_STEP: f64 = 0.004;
/// Largest change of the scale, and of the centre in equatorial radii, from those given; a fit that goes farther is none.
const FARTHEST: (f64, f64) = (0.03, 0.05);
/// Least opening of the rings: sine of the latitude.
const LEAST_SINE: f64 = 0.03;
/// Largest error of the pole's direction, which is not fitted, radians.
const LARGEST_TURN: f64 = 0.03;
/// Elliptical radius within which what is left counts.
const ABOUT_GLOBE: f64 = 1.3;
/// Share of the diagonal added to the normal equations.
const RIDGE: f64 = 1e-6;
/// Largest rms of what the model leaves about the globe, of its brightness, with which it is believed.
const MISFIT: f64 = 0.05;

/// What a channel brings.
pub struct Source<'a> {
    /// The stack.
    pub picture: &'a [f32],
    /// The stack's transfer.
    pub transfer: &'a [f32],
}

/// Where globe and rings lie.
#[derive(Debug, Clone, Copy)]
struct Place {
    centre: (f64, f64),
    radius: f64,
    /// Polar over equatorial radius on the picture.
    flat: f64,
    pole: f64,
    /// Sine of the latitude: the rings pass in front where it and the pole's coordinate differ in sign; 0 = no rings.
    sine: f64,
}

impl Place {
    /// Rms difference of picture and model about the globe.
    fn rms(&self, width: usize, picture: &[f32], model: &[f32]) -> f64 {
        let (sin, cos) = libm::sincos(self.pole);
        let (mut sum, mut count) = (0.0, 0.0);
        for (i, (v, m)) in picture.iter().zip(model).enumerate() {
            let (dx, dy) = ((i % width) as f64 - self.centre.0, (i / width) as f64 - self.centre.1);
            let (u, v_) = (dx * cos + dy * sin, (dx * sin - dy * cos) / self.flat);
            if libm::hypot(u, v_) < ABOUT_GLOBE * self.radius {
                sum += f64::from(v - m) * f64::from(v - m);
                count += 1.0;
            }
        }
        (sum / f64::max(count, 1.0)).sqrt()
    }
}

/// Model of one channel.
struct Fitted {
    place: Place,
    sky: f64,
    /// Spectrum of the globe, what the rings cover included.
    globe_alone: Vec<Complex32>,
    /// Its brightness at the centre.
    globe: f64,
    rms: f64,
}

/// Fits the model; `None` where it leaves too much. `polar_px` is the polar radius as seen.
pub fn fit(
    context: &dyn Context,
    canvas: &Canvas,
    globe: &Globe,
    polar_px: f64,
    channels: &[Source<'_>],
    seeing: Seeing,
) -> Option<LimbFit> {
    let sine = libm::sin(globe.latitude_rad);
    if sine.abs() < LEAST_SINE || globe.equatorial_radius_px <= 0.0 || globe.pole_sigma_rad > LARGEST_TURN {
        return None;
    }
    let begin = Place {
        centre: (globe.x_px, globe.y_px),
        radius: globe.equatorial_radius_px,
        flat: polar_px / globe.equatorial_radius_px,
        pole: globe.pole_rad,
        sine,
    };
    let sides: &[f64] = if globe.oriented { &[1.0] } else { &[1.0, -1.0] };
    let middle = &channels[channels.len() / 2];
    let placed =
        gather(context, sides.len(), |i| one(context, canvas, middle, Place { sine: sine * sides[i], ..begin }, true));
    let best = placed.into_iter().flatten().min_by(|a, b| a.rms.total_cmp(&b.rms))?;
    let all = gather(context, channels.len(), |c| one(context, canvas, &channels[c], best.place, false));
    let all: Vec<Fitted> = all.into_iter().flatten().collect();
    if all.len() != channels.len() || all.iter().any(|f| f.globe <= 0.0 || f.rms > MISFIT * f.globe) {
        return None;
    }
    let (a, b) = (best.place.radius, best.place.radius * best.place.flat);
    let sum = a * a + b * b;
    let flat = (a * a - b * b) / sum;
    let (across, along) = libm::sincos(2.0 * best.place.pole);
    let ellipse = Ellipse { radius_px: (0.5 * sum).sqrt(), along: flat * along, across: flat * across };
    let channel = |f: &Fitted| ChannelFit {
        exponent: NOMINAL,
        centre_px: f.place.centre,
        brightness: f.globe,
        sky: f.sky,
        misfit: f.rms / f.globe,
    };
    let mut found =
        LimbFit { ellipse, seeing, channels: all.iter().map(channel).collect(), bands: Vec::new(), ringed: true };
    // What is not the plain disc, of brightness 1.
    found.bands = gather(context, all.len(), |c| {
        let disc = limb::object_spectrum(canvas, &found, c);
        let scale = (1.0 / all[c].globe) as f32;
        all[c].globe_alone.iter().zip(disc).map(|(o, d)| (o - d) * scale).collect()
    });
    Some(found)
}

/// Fits one channel; `scale`: its scale too.
fn one(context: &dyn Context, canvas: &Canvas, source: &Source<'_>, begin: Place, scale: bool) -> Option<Fitted> {
    let mut scratch = canvas.plan.scratch();
    let mut place = begin;
    let mut fitted = None;
    for round in 0..ROUNDS {
        if context.cancelled() {
            return None;
        }
        let pieces = pieces(canvas, &place, &mut scratch);
        let mut columns = vec![vec![1.0; canvas.width * canvas.height]];
        columns.extend(pieces.iter().map(|p| seen(canvas, p, source.transfer, &mut scratch)));
        let brightness = solve(&columns, source.picture)?;
        let model = sum(&columns, &brightness);
        let rms = place.rms(canvas.width, source.picture, &model);
        let object = spectrum_of(&pieces, &brightness[1..]);
        // The globe's brightness at its centre, where mu is 1 and the place along the pole 0.
        let globe = brightness[1] + brightness[2];
        if round + 1 == ROUNDS {
            let whole = self::pieces(canvas, &Place { sine: 0.0, ..place }, &mut scratch);
            let globe_alone = spectrum_of(&whole[..GLOBE], &brightness[1..]);
            fitted = Some(Fitted { place, sky: brightness[0], globe_alone, globe, rms });
            break;
        }
        // How the model changes with centre and scale.
        let tau = std::f64::consts::TAU;
        let moved = |along: fn(f64, f64) -> f64, scratch: &mut Fft2Scratch| {
            let turned: Vec<Complex32> = canvas
                .frequencies()
                .zip(&object)
                .map(|((fx, fy), o)| o * Complex32::new(0.0, (-tau * along(fx, fy)) as f32))
                .collect();
            seen(canvas, &turned, source.transfer, scratch)
        };
        columns.push(moved(|fx, _| fx, &mut scratch));
        columns.push(moved(|_, fy| fy, &mut scratch));
        if scale {
            let larger = Place { radius: place.radius * (1.0 + SCALE_STEP), ..place };
            let pieces = self::pieces(canvas, &larger, &mut scratch);
            let other = seen(canvas, &spectrum_of(&pieces, &brightness[1..]), source.transfer, &mut scratch);
            let here = seen(canvas, &object, source.transfer, &mut scratch);
            columns.push(other.iter().zip(&here).map(|(o, h)| (o - h) / SCALE_STEP as f32).collect());
        }
        let steps = solve(&columns, source.picture)?.split_off(PIECES + 1);
        place.centre = (place.centre.0 + steps[0], place.centre.1 + steps[1]);
        if scale {
            place.radius *= 1.0 + steps[2];
        }
        let moved = libm::hypot(place.centre.0 - begin.centre.0, place.centre.1 - begin.centre.1);
        let grown = (place.radius / begin.radius - 1.0).abs();
        if !(grown <= FARTHEST.0 && moved <= FARTHEST.1 * begin.radius) {
            return None;
        }
    }
    fitted
}

/// Spectra of all pieces at brightness 1: the globe's, the annuli's, the strips'.
fn pieces(canvas: &Canvas, place: &Place, scratch: &mut Fft2Scratch) -> Vec<Vec<Complex32>> {
    let (w, h) = (canvas.plan.width(), canvas.plan.height());
    let mut fields = vec![vec![0.0_f32; w * h]; PIECES];
    let (sin, cos) = libm::sincos(place.pole);
    let step = |i: usize| (i as f64 + 0.5) / FINE as f64 - 0.5;
    let part = 1.0 / (FINE * FINE) as f32;
    for y in 0..canvas.height {
        for x in 0..canvas.width {
            for sub in 0..FINE * FINE {
                let dx = (x as f64 + step(sub % FINE) - place.centre.0) / place.radius;
                let dy = (y as f64 + step(sub / FINE) - place.centre.1) / place.radius;
                // Along the equator, and towards the pole.
                let (u, v) = (dx * cos + dy * sin, dx * sin - dy * cos);
                let latitude = v / place.flat;
                let mu2 = 1.0 - u * u - latitude * latitude;
                let ring = if place.sine == 0.0 { 0.0 } else { libm::hypot(u, v / place.sine) };
                let annulus = (0..ANNULI).find(|k| (EDGES[*k]..EDGES[k + 1]).contains(&ring));
                let before = v * place.sine < 0.0;
                let at = y * w + x;
                match annulus {
                    Some(k) if mu2 > 0.0 && before => {
                        let strip = STRIPS.iter().rposition(|from| k >= *from).unwrap_or(0);
                        fields[GLOBE + ANNULI + strip][at] += part;
                    }
                    Some(k) if mu2 <= 0.0 => fields[GLOBE + k][at] += part,
                    _ if mu2 > 0.0 => {
                        let bright = EXPONENTS.map(|p| libm::pow(mu2, 0.5 * p) as f32);
                        let latitude = latitude as f32;
                        fields[0][at] += part * bright[0];
                        fields[1][at] += part * bright[1];
                        fields[2][at] += part * bright[0] * latitude;
                        fields[3][at] += part * bright[0] * latitude * latitude;
                    }
                    _ => (),
                }
            }
        }
    }
    // Drawn as means over pixels; the transfer holds the pixel too.
    let pixels: Vec<f32> =
        canvas.frequencies().map(|(fx, fy)| 1.0 / (mtf::pixel(fx) * mtf::pixel(fy)) as f32).collect();
    let transform = |field: Vec<f32>| {
        let mut spectrum = canvas.plan.spectrum();
        canvas.plan.forward(&field, &mut spectrum, scratch);
        spectrum.iter_mut().zip(&pixels).for_each(|(v, p)| *v *= *p);
        spectrum
    };
    fields.into_iter().map(transform).collect()
}

/// A spectrum in the window through the transfer.
fn seen(canvas: &Canvas, spectrum: &[Complex32], transfer: &[f32], scratch: &mut Fft2Scratch) -> Vec<f32> {
    let mut blurred: Vec<Complex32> = spectrum.iter().zip(transfer).map(|(v, t)| v * *t).collect();
    let mut window = vec![0.0; canvas.width * canvas.height];
    canvas.inverse(&mut blurred, 0.0, &mut window, scratch);
    window
}

fn spectrum_of(pieces: &[Vec<Complex32>], brightness: &[f64]) -> Vec<Complex32> {
    let mut sum = vec![Complex32::default(); pieces.first().map_or(0, Vec::len)];
    for (piece, b) in pieces.iter().zip(brightness) {
        sum.iter_mut().zip(piece).for_each(|(s, v)| *s += v * *b as f32);
    }
    sum
}

fn sum(columns: &[Vec<f32>], by: &[f64]) -> Vec<f32> {
    let mut out = vec![0.0; columns.first().map_or(0, Vec::len)];
    for (column, b) in columns.iter().zip(by) {
        out.iter_mut().zip(column).for_each(|(o, v)| *o += v * *b as f32);
    }
    out
}

/// Factors of the columns with the least squared difference from the picture.
fn solve(columns: &[Vec<f32>], picture: &[f32]) -> Option<Vec<f64>> {
    let n = columns.len();
    let mut normal =
        DMatrix::from_fn(n, n, |i, j| if j <= i { stillair_maths::dot(&columns[i], &columns[j]) } else { 0.0 });
    normal.fill_upper_triangle_with_lower_triangle();
    let right = DVector::from_fn(n, |i, _| stillair_maths::dot(&columns[i], picture));
    // A piece that lies outside the window has no say.
    let most = normal.diagonal().max();
    for i in 0..n {
        normal[(i, i)] += RIDGE * normal[(i, i)] + 1e-12 * most;
    }
    let solved = normal.cholesky()?.solve(&right);
    solved.iter().all(|v| v.is_finite()).then(|| solved.as_slice().to_vec())
}
