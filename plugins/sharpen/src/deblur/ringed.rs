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
const FINE: usize = 3;
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
    /// Centre in window px.
    centre_px: (f64, f64),
    /// Equatorial radius.
    radius_px: f64,
    /// Polar over equatorial radius on the picture.
    flat: f64,
    /// Clockwise angle of the pole from up.
    pole_rad: f64,
    /// Sine of the latitude: the rings pass in front where it and the pole's coordinate differ in sign; 0 = no rings.
    sine: f64,
}

impl Place {
    /// Calls `add(piece, pixel of the field, share)` for all that a pixel holds of each piece.
    fn visit(&self, canvas: &Canvas, mut add: impl FnMut(usize, usize, f32)) {
        let (sin, cos) = libm::sincos(self.pole_rad);
        let step = |i: usize| (i as f64 + 0.5) / FINE as f64 - 0.5;
        let part = 1.0 / (FINE * FINE) as f32;
        let reach =
            (EDGES[ANNULI] * self.radius_px + 1.0, (EDGES[ANNULI] * self.sine.abs()).max(1.0) * self.radius_px + 1.0);
        for at in 0..canvas.width * canvas.height {
            let (x, y) = ((at % canvas.width) as f64 - self.centre_px.0, (at / canvas.width) as f64 - self.centre_px.1);
            if (x * cos + y * sin).abs() > reach.0 || (x * sin - y * cos).abs() > reach.1 {
                continue;
            }
            let at = at / canvas.width * canvas.plan.width() + at % canvas.width;
            for sub in 0..FINE * FINE {
                let (dx, dy) = ((x + step(sub % FINE)) / self.radius_px, (y + step(sub / FINE)) / self.radius_px);
                // Along the equator, and towards the pole.
                let (u, v) = (dx * cos + dy * sin, dx * sin - dy * cos);
                let along_pole = v / self.flat;
                let mu2 = 1.0 - u * u - along_pole * along_pole;
                let ring = if self.sine == 0.0 { 0.0 } else { libm::hypot(u, v / self.sine) };
                let annulus = (0..ANNULI).find(|k| (EDGES[*k]..EDGES[k + 1]).contains(&ring));
                match annulus {
                    Some(k) if mu2 > 0.0 && v * self.sine < 0.0 => {
                        add(GLOBE + ANNULI + STRIPS.iter().rposition(|from| k >= *from).unwrap_or(0), at, part);
                    }
                    Some(k) if mu2 <= 0.0 => add(GLOBE + k, at, part),
                    _ if mu2 > 0.0 => {
                        let bright = EXPONENTS.map(|p| part * libm::pow(mu2, 0.5 * p) as f32);
                        let along_pole = along_pole as f32;
                        add(0, at, bright[0]);
                        add(1, at, bright[1]);
                        add(2, at, bright[0] * along_pole);
                        add(3, at, bright[0] * along_pole * along_pole);
                    }
                    _ => (),
                }
            }
        }
    }

    /// Rms difference of picture and model about the globe.
    fn rms(&self, width: usize, picture: &[f32], model: &[f32]) -> f64 {
        let (sin, cos) = libm::sincos(self.pole_rad);
        let (mut sum, mut count) = (0.0, 0.0);
        for (i, (v, m)) in picture.iter().zip(model).enumerate() {
            let (dx, dy) = ((i % width) as f64 - self.centre_px.0, (i / width) as f64 - self.centre_px.1);
            let (u, along_pole) = (dx * cos + dy * sin, (dx * sin - dy * cos) / self.flat);
            if libm::hypot(u, along_pole) < ABOUT_GLOBE * self.radius_px {
                sum += f64::from(v - m) * f64::from(v - m);
                count += 1.0;
            }
        }
        (sum / f64::max(count, 1.0)).sqrt()
    }
}

/// The pieces' brightnesses in one channel.
struct Fitted {
    /// Of the sky, then of the pieces.
    brightness: Vec<f64>,
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
        centre_px: (globe.x_px, globe.y_px),
        radius_px: globe.equatorial_radius_px,
        flat: polar_px / globe.equatorial_radius_px,
        pole_rad: globe.pole_rad,
        sine,
    };
    let sides: &[f64] = if globe.oriented { &[1.0] } else { &[1.0, -1.0] };
    let middle = &channels[channels.len() / 2];
    let mut best: Option<(Place, f64, Place)> = None;
    for side in sides {
        let place = Place { sine: sine * side, ..begin };
        let (fitted, next) = moved(context, canvas, middle, &place)?;
        if best.as_ref().is_none_or(|(_, rms, _)| fitted.rms < *rms) {
            best = Some((place, fitted.rms, next));
        }
    }
    let (_, _, mut place) = best?;
    for _ in 1..ROUNDS {
        place = moved(context, canvas, middle, &place)?.1;
        let off = libm::hypot(place.centre_px.0 - begin.centre_px.0, place.centre_px.1 - begin.centre_px.1);
        let grown = (place.radius_px / begin.radius_px - 1.0).abs();
        if !(grown <= FARTHEST.0 && off <= FARTHEST.1 * begin.radius_px) {
            return None;
        }
    }
    let fields = fields(canvas, &place);
    let all = gather(context, channels.len(), |c| {
        let columns = columns(canvas, fields.iter().map(Vec::as_slice), channels[c].transfer);
        solved(canvas, &place, &columns, channels[c].picture)
    });
    let all: Vec<Fitted> = all.into_iter().flatten().collect();
    // The globe's brightness at its centre, where mu is 1 and the place along the pole 0.
    let centre = |f: &Fitted| f.brightness[1] + f.brightness[2];
    if all.len() != channels.len() || all.iter().any(|f| centre(f) <= 0.0 || f.rms > MISFIT * centre(f)) {
        return None;
    }
    let (a, b) = (place.radius_px, place.radius_px * place.flat);
    let sum = a * a + b * b;
    let flat = (a * a - b * b) / sum;
    let (across, along) = libm::sincos(2.0 * place.pole_rad);
    let ellipse = Ellipse { radius_px: (0.5 * sum).sqrt(), along: flat * along, across: flat * across };
    let channel = |f: &Fitted| ChannelFit {
        exponent: NOMINAL,
        centre_px: place.centre_px,
        brightness: centre(f),
        sky: f.brightness[0],
        misfit: f.rms / centre(f),
    };
    let mut found =
        LimbFit { ellipse, seeing, channels: all.iter().map(channel).collect(), bands: Vec::new(), ringed: true };
    // What the globe, rings off, is more than the plain disc, of brightness 1.
    let globe = Place { sine: 0.0, ..place };
    found.bands = gather(context, all.len(), |c| {
        let scale = 1.0 / found.channels[c].brightness;
        let brightness: Vec<f64> = all[c].brightness[1..=GLOBE].iter().map(|b| b * scale).collect();
        let whole = transformed(canvas, &total(canvas, &globe, &brightness), &mut canvas.plan.scratch());
        let disc = limb::object_spectrum(canvas, &found, c);
        whole.iter().zip(disc).map(|(w, d)| w - d * scale as f32).collect()
    });
    Some(found)
}

/// The pieces' brightnesses at a place, and a better place.
fn moved(context: &dyn Context, canvas: &Canvas, source: &Source<'_>, place: &Place) -> Option<(Fitted, Place)> {
    if context.cancelled() {
        return None;
    }
    let mut scratch = canvas.plan.scratch();
    let mut columns = columns(canvas, fields(canvas, place).into_iter(), source.transfer);
    let fitted = solved(canvas, place, &columns, source.picture)?;
    let pieces = &fitted.brightness[1..];
    let object = transformed(canvas, &total(canvas, place, pieces), &mut scratch);
    // How the model changes with centre and scale.
    let mut along = |axis: fn(f64, f64) -> f64| {
        let turned = |((fx, fy), o): ((f64, f64), &Complex32)| {
            o * Complex32::new(0.0, (-std::f64::consts::TAU * axis(fx, fy)) as f32)
        };
        let spectrum: Vec<Complex32> = canvas.frequencies().zip(&object).map(turned).collect();
        seen(canvas, spectrum, source.transfer, &mut scratch)
    };
    columns.push(along(|fx, _| fx));
    columns.push(along(|_, fy| fy));
    let larger = Place { radius_px: place.radius_px * (1.0 + SCALE_STEP), ..*place };
    let other = transformed(canvas, &total(canvas, &larger, pieces), &mut scratch);
    let step: Vec<Complex32> = other.iter().zip(&object).map(|(o, h)| (o - h) / SCALE_STEP as f32).collect();
    columns.push(seen(canvas, step, source.transfer, &mut scratch));
    let steps = solve(&columns, source.picture)?.split_off(PIECES + 1);
    let centre = (place.centre_px.0 + steps[0], place.centre_px.1 + steps[1]);
    Some((fitted, Place { centre_px: centre, radius_px: place.radius_px * (1.0 + steps[2]), ..*place }))
}

/// Brightnesses for columns of a constant and the pieces.
fn solved(canvas: &Canvas, place: &Place, columns: &[Vec<f32>], picture: &[f32]) -> Option<Fitted> {
    let brightness = solve(columns, picture)?;
    let mut model = vec![0.0; picture.len()];
    for (column, b) in columns.iter().zip(&brightness) {
        model.iter_mut().zip(column).for_each(|(o, v)| *o += v * *b as f32);
    }
    Some(Fitted { rms: place.rms(canvas.width, picture, &model), brightness })
}

/// A constant, and the pieces as the stack would show them.
fn columns<F: AsRef<[f32]>>(canvas: &Canvas, fields: impl Iterator<Item = F>, transfer: &[f32]) -> Vec<Vec<f32>> {
    let mut scratch = canvas.plan.scratch();
    let mut columns = vec![vec![1.0; canvas.width * canvas.height]];
    for field in fields {
        let spectrum = transformed(canvas, field.as_ref(), &mut scratch);
        columns.push(seen(canvas, spectrum, transfer, &mut scratch));
    }
    columns
}

/// Fields of all pieces at brightness 1: the globe's, the annuli's, the strips'.
fn fields(canvas: &Canvas, place: &Place) -> Vec<Vec<f32>> {
    let mut fields = vec![vec![0.0_f32; canvas.plan.width() * canvas.plan.height()]; PIECES];
    place.visit(canvas, |piece, at, value| fields[piece][at] += value);
    fields
}

/// Field of the pieces at their brightnesses; those without one are dark.
fn total(canvas: &Canvas, place: &Place, brightness: &[f64]) -> Vec<f32> {
    let mut field = vec![0.0_f32; canvas.plan.width() * canvas.plan.height()];
    place.visit(canvas, |piece, at, value| {
        field[at] += value * brightness.get(piece).map_or(0.0, |b| *b as f32);
    });
    field
}

/// Spectrum of a field that was drawn as means over pixels; the transfer holds the pixel too.
fn transformed(canvas: &Canvas, field: &[f32], scratch: &mut Fft2Scratch) -> Vec<Complex32> {
    let mut spectrum = canvas.plan.spectrum();
    canvas.plan.forward(field, &mut spectrum, scratch);
    for ((fx, fy), value) in canvas.frequencies().zip(&mut spectrum) {
        *value /= (mtf::pixel(fx) * mtf::pixel(fy)) as f32;
    }
    spectrum
}

/// A spectrum in the window through the transfer.
fn seen(canvas: &Canvas, mut spectrum: Vec<Complex32>, transfer: &[f32], scratch: &mut Fft2Scratch) -> Vec<f32> {
    spectrum.iter_mut().zip(transfer).for_each(|(v, t)| *v *= *t);
    let mut window = vec![0.0; canvas.width * canvas.height];
    canvas.inverse(&mut spectrum, 0.0, &mut window, scratch);
    window
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
