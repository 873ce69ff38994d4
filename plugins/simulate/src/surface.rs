//! Maps of planets that do not exist: a banded one and a rocky one.
//!
//! A map is a grid of radiance per colour over longitude (columns, a full turn) and latitude (rows, south
//! first). Belts and zones are a tracer that is carried along by invented winds - jets along the belts'
//! edges, eddies, and round storms - so that festoons, wakes and filaments form by themselves. Random fields
//! are Gaussian with a power-law spectrum, made by Fourier transform. Nothing here is taken from a map of a
//! real planet.

use crate::fourier::Square;
use crate::random::{Random, Stream};
use core::f64::consts::{FRAC_PI_2, PI, TAU};
use rustfft::FftDirection;
use rustfft::num_complex::Complex32;

/// Radiance over longitude and latitude.
pub(crate) struct Map {
    columns: usize,
    rows: usize,
    values: Vec<[f32; 3]>,
}

impl Map {
    /// Radiance at a longitude (radians, any turn) and latitude (radians); linear interpolation.
    pub(crate) fn at(&self, longitude: f64, latitude: f64) -> [f32; 3] {
        let x = longitude / TAU * self.columns as f64;
        let y = (latitude / PI + 0.5) * self.rows as f64 - 0.5;
        let y = y.clamp(0.0, (self.rows - 1) as f64);
        let (fx, fy) = (x.floor(), y.floor().min((self.rows - 2) as f64));
        let (tx, ty) = ((x - fx) as f32, (y - fy) as f32);
        let i0 = (fx as i64).rem_euclid(self.columns as i64) as usize;
        let i1 = if i0 + 1 == self.columns { 0 } else { i0 + 1 };
        let j0 = fy as usize * self.columns;
        let j1 = j0 + self.columns;
        let (a, b, c, d) = (&self.values[j0 + i0], &self.values[j0 + i1], &self.values[j1 + i0], &self.values[j1 + i1]);
        core::array::from_fn(|k| {
            let low = a[k] + tx * (b[k] - a[k]);
            let high = c[k] + tx * (d[k] - c[k]);
            low + ty * (high - low)
        })
    }
}

/// A random field of unit variance on a square grid over the map (both directions scaled to it).
pub(crate) struct Field {
    pub(crate) size: usize,
    pub(crate) values: Vec<f32>,
}

/// Two Gaussian fields with amplitude k^(-slope) above `k_low` and a cut at `k_high` (cycles per turn); `stretch` > 1 draws
/// their features out along longitude.
pub(crate) fn fields(
    size: usize,
    slope: f64,
    k_low: f64,
    k_high: f64,
    stretch: f64,
    random: &mut Random,
) -> [Field; 2] {
    let mut grid = vec![Complex32::default(); size * size];
    let mut power = 0.0;
    let signed = |k: usize| if k < size / 2 { k as f64 } else { k as f64 - size as f64 };
    for j in 0..size {
        // Rows span half a turn: a wave of the grid is twice as fast in cycles per turn.
        let ky = 2.0 * signed(j);
        for i in 0..size {
            let kx = stretch * signed(i);
            let k2 = kx * kx + ky * ky;
            let (a, b) = (random.normal(), random.normal());
            if k2 == 0.0 {
                continue;
            }
            let amplitude = libm::pow(1.0 + k2 / (k_low * k_low), -0.5 * slope) * libm::exp(-k2 / (k_high * k_high));
            power += amplitude * amplitude;
            grid[j * size + i] = Complex32::new(a, b) * amplitude as f32;
        }
    }
    let mut out = vec![Complex32::default(); size * size];
    Square::new(size, FftDirection::Inverse).run(&mut grid, size, &mut out);
    // Undo the transposition, so that longitude is the fast index again.
    crate::fourier::transpose(&out, &mut grid, size, size);
    let scale = (1.0 / f64::sqrt(power)) as f32;
    [
        Field { size, values: grid.iter().map(|c| c.re * scale).collect() },
        Field { size, values: grid.iter().map(|c| c.im * scale).collect() },
    ]
}

impl Field {
    /// Value at longitude and latitude (radians), linear interpolation, periodic.
    fn at(&self, longitude: f64, latitude: f64) -> f64 {
        let n = self.size;
        let x = longitude / TAU * n as f64;
        let y = (latitude / PI + 0.5) * n as f64;
        let (fx, fy) = (x.floor(), y.floor());
        let (tx, ty) = ((x - fx) as f32, (y - fy) as f32);
        let wrap = |v: i64| v.rem_euclid(n as i64) as usize;
        let (i0, j0) = (wrap(fx as i64), wrap(fy as i64));
        let (i1, j1) = (if i0 + 1 == n { 0 } else { i0 + 1 }, if j0 + 1 == n { 0 } else { j0 + 1 });
        let v = &self.values;
        let low = v[j0 * n + i0] + tx * (v[j0 * n + i1] - v[j0 * n + i0]);
        let high = v[j1 * n + i0] + tx * (v[j1 * n + i1] - v[j1 * n + i0]);
        f64::from(low + ty * (high - low))
    }
}

/// A belt or zone between two latitudes.
struct Band {
    south: f64,
    tone: [f64; 3],
    stir: f64,
}

/// A round storm.
struct Storm {
    longitude: f64,
    latitude: f64,
    half_length: f64,
    half_width: f64,
    spin: f64,
    tone: [f64; 3],
}

impl Storm {
    /// Squared elliptical distance from the middle and the offsets, in half axes.
    fn place(&self, longitude: f64, latitude: f64) -> (f64, f64, f64) {
        let mut dx = (longitude - self.longitude).rem_euclid(TAU);
        if dx > PI {
            dx -= TAU;
        }
        let x = dx / self.half_length;
        let y = (latitude - self.latitude) / self.half_width;
        (x * x + y * y, x, y)
    }
}

fn mix(a: [f64; 3], b: [f64; 3], t: f64) -> [f64; 3] {
    core::array::from_fn(|k| a[k] + t * (b[k] - a[k]))
}

pub(crate) fn smooth_step(x: f64) -> f64 {
    let t = x.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// The bands of a planet from south to north; `contrast` scales the difference of belts and zones.
fn make_bands(random: &mut Random, contrast: f64) -> Vec<Band> {
    let grey = [0.80, 0.74, 0.66];
    let mut bands = vec![Band { south: -FRAC_PI_2, tone: mix(grey, [0.60, 0.62, 0.64], contrast), stir: 0.6 }];
    let mut latitude = -random.between(56.0, 66.0);
    let mut belt = false;
    while latitude < 60.0 {
        let equatorial = libm::cos(latitude.to_radians());
        let width = random.between(4.5, 9.5) * (0.6 + 0.7 * equatorial);
        let tone = if belt {
            let warm = random.uniform();
            mix([0.50, 0.36, 0.25], [0.60, 0.47, 0.41], warm)
        } else {
            mix([1.02, 0.97, 0.84], [0.95, 0.94, 0.88], random.uniform())
        };
        let weight = contrast * (0.45 + 0.55 * equatorial) * random.between(0.7, 1.05);
        bands.push(Band {
            south: latitude.to_radians(),
            tone: mix(grey, tone, weight),
            stir: if belt { 1.0 } else { 0.35 },
        });
        latitude += width;
        belt = !belt;
    }
    bands.push(Band { south: latitude.to_radians(), tone: mix(grey, [0.58, 0.61, 0.66], contrast), stir: 0.6 });
    bands
}

fn make_storms(bands: &[Band], random: &mut Random) -> Vec<Storm> {
    let mut storms = Vec::new();
    for (k, pair) in bands.windows(2).enumerate().skip(1) {
        let count = (random.uniform() * 3.2) as usize;
        for _ in 0..count {
            let pale = random.uniform() < 0.6;
            let width = (pair[1].south - pair[0].south) * random.between(0.14, 0.34);
            storms.push(Storm {
                longitude: random.between(0.0, TAU),
                latitude: pair[1].south + width * random.between(-0.6, 0.6),
                half_length: width * random.between(1.3, 2.1),
                half_width: width,
                spin: if k % 2 == 0 { 1.0 } else { -1.0 } * random.between(0.5, 1.0),
                tone: if pale { [1.02, 1.0, 0.93] } else { [0.50, 0.50, 0.52] },
            });
        }
    }
    storms
}

/// A banded globe. `contrast` 1 is bold, 0.3 faint; `rows` is the map's resolution in latitude.
pub(crate) fn banded(seed: u64, rows: usize, contrast: f64, detail: f64) -> Map {
    let mut random = Random::new(seed, Stream::Surface, 0);
    let bands = make_bands(&mut random, contrast);
    let storms = make_storms(&bands, &mut random);
    let columns = 2 * rows;
    let [eddies, broad] = fields(rows, 2.4, 22.0, rows as f64 / 4.0, 1.7, &mut random);
    let [fine, haze] = fields(rows, 1.35, 8.0, rows as f64 * 0.9, 2.6, &mut random);
    let edge_wave = random.between(9.0, 15.0).floor();
    let edge_phase = random.between(0.0, TAU);

    let band_of = |latitude: f64| bands.iter().rposition(|b| b.south <= latitude).unwrap_or(0);
    // Wind along longitude: a jet at every edge, of alternating sense; and how strongly eddies stir.
    let winds: Vec<(f64, f64)> = (0..rows)
        .map(|j| {
            let latitude = ((j as f64 + 0.5) / rows as f64 - 0.5) * PI;
            let mut jet = 0.0;
            for (k, band) in bands.iter().enumerate().skip(1) {
                let x = (latitude - band.south) / 2.2f64.to_radians();
                jet += if k % 2 == 0 { 1.0 } else { -1.0 } * libm::exp(-x * x);
            }
            (jet, bands[band_of(latitude)].stir)
        })
        .collect();
    let step_psi = TAU / rows as f64;
    let velocity = |longitude: f64, latitude: f64| -> [f64; 2] {
        let row = (((latitude / PI + 0.5) * rows as f64) as usize).min(rows - 1);
        let (jet, stir) = winds[row];
        let d_lon =
            (eddies.at(longitude + step_psi, latitude) - eddies.at(longitude - step_psi, latitude)) / (2.0 * step_psi);
        let d_lat =
            (eddies.at(longitude, latitude + step_psi) - eddies.at(longitude, latitude - step_psi)) / (2.0 * step_psi);
        let mut u = 0.24 * jet - 0.0040 * stir * d_lat;
        let mut v = 0.0032 * stir * d_lon;
        for storm in &storms {
            let (r2, x, y) = storm.place(longitude, latitude);
            if r2 < 9.0 {
                // The storm keeps its own air: the wind around it dies towards its core.
                let calm = 1.0 - libm::exp(-0.25 * r2 * r2);
                let swirl = 1.8 * storm.spin * libm::exp(-0.7 * r2);
                u = u * calm - swirl * y * storm.half_length;
                v = v * calm + swirl * x * storm.half_width;
            }
        }
        [u, v]
    };
    let tracer = |longitude: f64, latitude: f64| -> [f64; 3] {
        let ripple = 0.4f64.to_radians() * broad.at(longitude, latitude);
        let y = latitude + ripple;
        let k = band_of(y);
        let edge = 1.1f64.to_radians();
        let mut tone = bands[k].tone;
        if k > 0 {
            tone = mix(mix(bands[k - 1].tone, tone, 0.5), tone, smooth_step((y - bands[k].south) / edge));
        }
        if let Some(next) = bands.get(k + 1) {
            tone = mix(tone, mix(tone, next.tone, 0.5), smooth_step(1.0 - (next.south - y) / edge));
        }
        // Bluish wedges that hang from the edges nearest to the equator, drawn out by the jets.
        for band in bands.iter().skip(1).filter(|b| b.south.abs() < 0.24) {
            let x = (y - band.south) / 1.7f64.to_radians();
            let wave = libm::sin(edge_wave * longitude + edge_phase + 9.0 * band.south)
                + 0.8 * broad.at(2.0 * longitude, band.south);
            let amount = 0.9 * contrast * smooth_step(wave - 0.2) * libm::exp(-x * x);
            tone = mix(tone, [0.42, 0.47, 0.56], amount);
        }
        let stir = bands[k].stir;
        let grain =
            1.0 + detail * (0.35 + 0.65 * stir) * (fine.at(longitude, latitude) + 0.5 * haze.at(longitude, latitude));
        for storm in &storms {
            let (r2, _, _) = storm.place(longitude, latitude);
            let core = smooth_step((1.15 - r2) / 0.5);
            let collar = libm::exp(-((r2.sqrt() - 1.25) / 0.22).powi(2));
            tone = mix(tone, [0.45, 0.40, 0.36], 0.55 * contrast * collar);
            tone = mix(tone, storm.tone, 0.9 * contrast * core);
        }
        tone.map(|v| v * grain)
    };
    // Winds on a grid, then the way back of every point through them: where its air came from.
    let size = rows.min(512);
    let grid = |f: &dyn Fn(f64, f64) -> f64| Field {
        size,
        values: (0..size * size)
            .map(|k| f((k % size) as f64 / size as f64 * TAU, ((k / size) as f64 / size as f64 - 0.5) * PI) as f32)
            .collect(),
    };
    let (east, north) = (grid(&|x, y| velocity(x, y)[0]), grid(&|x, y| velocity(x, y)[1]));
    const STEPS: usize = 14;
    let mut origin = [
        Field { size, values: Vec::with_capacity(size * size) },
        Field { size, values: Vec::with_capacity(size * size) },
    ];
    for j in 0..size {
        let latitude = (j as f64 / size as f64 - 0.5) * PI;
        let calm = 1.0 - smooth_step((latitude.abs().to_degrees() - 60.0) / 20.0);
        for i in 0..size {
            let longitude = i as f64 / size as f64 * TAU;
            let (mut x, mut y) = (longitude, latitude);
            for _ in 0..STEPS {
                let (u, v) = (east.at(x, y), north.at(x, y));
                x -= u / STEPS as f64;
                y = (y - v * calm / STEPS as f64).clamp(-FRAC_PI_2, FRAC_PI_2);
            }
            origin[0].values.push((x - longitude) as f32);
            origin[1].values.push((y - latitude) as f32);
        }
    }
    let mut values = Vec::with_capacity(columns * rows);
    for j in 0..rows {
        let latitude = ((j as f64 + 0.5) / rows as f64 - 0.5) * PI;
        for i in 0..columns {
            let longitude = i as f64 / columns as f64 * TAU;
            let x = longitude + origin[0].at(longitude, latitude);
            let y = (latitude + origin[1].at(longitude, latitude)).clamp(-FRAC_PI_2, FRAC_PI_2);
            values.push(tracer(x, y).map(|v| v.max(0.05) as f32));
        }
    }
    Map { columns, rows, values }
}

/// A rocky globe: bright deserts, dark basins, one white polar cap and thin haze.
pub(crate) fn rocky(seed: u64, rows: usize, contrast: f64, detail: f64) -> Map {
    let mut random = Random::new(seed, Stream::Surface, 0);
    let [lands, shore] = fields(rows, 2.3, 5.0, rows as f64 / 3.0, 1.0, &mut random);
    let [fine, haze] = fields(rows, 1.4, 8.0, rows as f64 * 0.9, 1.0, &mut random);
    let columns = 2 * rows;
    let cap_edge = random.between(66.0, 74.0);
    let cap_sign = if random.uniform() < 0.5 { 1.0 } else { -1.0 };
    let mut values = Vec::with_capacity(columns * rows);
    for j in 0..rows {
        let latitude = ((j as f64 + 0.5) / rows as f64 - 0.5) * PI;
        for i in 0..columns {
            // Longitudes shrink towards the poles: sample the fields more slowly there.
            let longitude = i as f64 / columns as f64 * TAU;
            let at = |f: &Field| f.at(longitude, latitude);
            let land = at(&lands) + 0.35 * at(&shore);
            let basin = smooth_step(0.5 + 1.6 * (land - 0.25));
            let mut tone = mix([1.25, 0.50, 0.24], [0.50, 0.24, 0.155], contrast * basin);
            let grain = 1.0 + detail * (at(&fine) + 0.4 * at(&haze));
            tone = tone.map(|v| v * grain);
            let cap = smooth_step((cap_sign * latitude.to_degrees() - cap_edge + 3.0 * at(&shore)) / 2.5);
            tone = mix(tone, [1.15, 0.92, 0.78], cap);
            let veil = smooth_step((at(&haze) - 1.4) / 1.2) * 0.35;
            tone = mix(tone, [0.95, 0.62, 0.46], veil);
            values.push(tone.map(|v| v.max(0.02) as f32));
        }
    }
    Map { columns, rows, values }
}
