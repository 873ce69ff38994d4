//! Draws the light of one frame on the sensor: the object cut into windows around the field points, each
//! with the point spread there, put together again and moved by the local tilts.

use crate::clip::{Layout, PlanetClip};
use crate::fourier::{Band, RealForward, RealInverse, friendly_size};
use crate::object::Object;
use crate::simulation::{Channel, Simulation, Waves};
use rustfft::num_complex::Complex32;
use std::sync::Arc;

/// Drawings kept.
const KEYS_KEPT: usize = 4;

/// A field point.
pub(crate) struct Node {
    /// Place from the object's middle, px.
    pub(crate) place_px: [f64; 2],
    /// First pixel of its tile on the canvas.
    origin: [i64; 2],
    /// Whether the object reaches into its window.
    pub(crate) lit: bool,
}

/// How the object is drawn and cut into tiles.
pub(crate) struct Tiling {
    /// Side of a tile, camera px; the canvas itself with one field point.
    pub(crate) tile_px: usize,
    /// Points per camera pixel of a rendered tile, times two.
    doubled: usize,
    inverse: RealInverse,
    pub(crate) nodes: Vec<Node>,
    grid: usize,
    pub(crate) spacing_px: f64,
    /// How far a tile's light reaches beyond its window, px.
    pub(crate) near_px: f64,
    /// Side of the field on which light farther out is drawn and all is put together, px; the canvas lies in its middle. 0
    /// with one field point, which draws all light on the canvas.
    pub(crate) far_px: usize,
    far_inverse: RealInverse,
}

/// Spectra of the object at one instant: a band for every node and channel.
pub(crate) struct Key {
    bands: Vec<Option<Vec<Band>>>,
    /// The whole object on the field of the far light, a band a channel.
    far: Vec<Band>,
}

impl Tiling {
    pub(crate) fn new(clip: &PlanetClip, object: &Object, canvas_px: usize, finest: f64, margin: f64) -> Self {
        let grid = clip.seeing.field_points;
        if grid == 1 {
            let nodes = vec![Node { place_px: [0.0; 2], origin: [0; 2], lit: true }];
            return Self {
                tile_px: canvas_px,
                doubled: 2,
                inverse: RealInverse::new(canvas_px),
                nodes,
                grid,
                spacing_px: f64::INFINITY,
                near_px: f64::INFINITY,
                far_px: 0,
                far_inverse: RealInverse::new(2),
            };
        }
        let reach = object.reach_px() + 0.5;
        let spacing_px = 2.0 * reach / (grid - 1) as f64;
        let doubled = if finest > 0.45 { 4 } else { 3 };
        let near_px = 0.75 * margin;
        let tile_px = friendly_size((2.0 * (spacing_px + near_px)).ceil() as usize).next_multiple_of(4);
        // Light that leaves the field on one side must not come back on the other. Even margins, as for the tiles.
        let far_px = (canvas_px * 3 / 2..2 * canvas_px)
            .find(|px| (px - canvas_px).is_multiple_of(4) && friendly_size(*px) == *px)
            .unwrap_or(canvas_px + 4 * canvas_px.div_ceil(8));
        let middle = (canvas_px as f64 - 1.0) / 2.0;
        let nodes = (0..grid * grid)
            .map(|k| {
                let place_px = [(k % grid) as f64 * spacing_px - reach, (k / grid) as f64 * spacing_px - reach];
                // Even, so that one and a half points a pixel fall on whole points too.
                let origin = place_px.map(|p| 2 * ((middle + p - (tile_px as f64 - 1.0) / 2.0) / 2.0).round() as i64);
                Node { place_px, origin, lit: true }
            })
            .collect();
        let size = tile_px * doubled / 2;
        let mut tiling = Self {
            tile_px,
            doubled,
            inverse: RealInverse::new(size),
            nodes,
            grid,
            spacing_px,
            near_px,
            far_px,
            far_inverse: RealInverse::new(far_px * doubled / 2),
        };
        // Which windows hold any of the object, at a quarter of a turn's worth of instants.
        let rough = object.draw(clip.start_s, canvas_px, 1, 1);
        for node in &mut tiling.nodes {
            let any = (0..canvas_px * canvas_px).any(|k| {
                let dx = (k % canvas_px) as f64 - middle - node.place_px[0];
                let dy = (k / canvas_px) as f64 - middle - node.place_px[1];
                dx.abs() < spacing_px + 2.0 && dy.abs() < spacing_px + 2.0 && rough[1][k] > 0.0
            });
            node.lit = any;
        }
        tiling
    }

    /// Whether light far from where it belongs is drawn by itself, for the whole object at once: a tile that held it
    /// would be several times as large.
    pub(crate) fn parts_light(&self) -> bool {
        self.grid > 1
    }

    /// What a band must be multiplied by along an axis, to be drawn as coefficients of a spline on a field of `side` px:
    /// the cell's response, the spline's, and the way between the points' middles.
    fn spline_factors(&self, reach: usize, side: usize, drawn_per_px: usize) -> Vec<Complex32> {
        let points_per_px = self.doubled as f64 / 2.0;
        let response = |f: f64| {
            let spline =
                if self.grid == 1 { 1.0 } else { (2.0 + libm::cos(core::f64::consts::TAU * f / points_per_px)) / 3.0 };
            sinc(f) / sinc(f / drawn_per_px as f64) / spline
        };
        axis_factors(reach, side, response, 0.5 / drawn_per_px as f64 - 0.5 / points_per_px)
    }
}

/// sin(pi x) / (pi x).
pub(crate) fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { libm::sin(core::f64::consts::PI * x) / (core::f64::consts::PI * x) }
}

/// Factors along one axis of a band on a field of `side` px: cell response, and a shift by `shift_px`.
pub(crate) fn axis_factors(reach: usize, side: usize, response: impl Fn(f64) -> f64, shift_px: f64) -> Vec<Complex32> {
    (0..=2 * reach)
        .map(|j| {
            let f = (j as f64 - reach as f64) / side as f64;
            let (sine, cosine) = libm::sincos(-core::f64::consts::TAU * f * shift_px);
            let r = response(f);
            Complex32::new((r * cosine) as f32, (r * sine) as f32)
        })
        .collect()
}

/// Multiplies a band by factors along x and y.
pub(crate) fn apply_axes(band: &mut Band, x: &[Complex32], y: &[Complex32]) {
    let span = 2 * band.reach + 1;
    for (kx, column) in band.values.chunks_exact_mut(span).enumerate() {
        let fx = x[band.reach + kx];
        for (value, fy) in column.iter_mut().zip(y) {
            *value = *value * fx * fy;
        }
    }
}

impl Simulation {
    /// The object's spectra around time `t`: two drawings and the share of the second.
    fn keys_at(&self, t: f64) -> (Arc<Key>, Arc<Key>, f32) {
        if self.key_step_s.is_infinite() {
            let key = self.key(0);
            return (key.clone(), key, 0.0);
        }
        let position = ((t - self.clip.start_s) / self.key_step_s).max(0.0);
        let index = position.floor() as usize;
        (self.key(index), self.key(index + 1), (position - index as f64) as f32)
    }

    fn key(&self, index: usize) -> Arc<Key> {
        let find = |keys: &[(usize, Arc<Key>)]| keys.iter().find(|(k, _)| *k == index).map(|(_, key)| key.clone());
        // A poisoned lock still holds whole keys: they are pushed in one step.
        if let Some(key) = find(&self.keys.lock().unwrap_or_else(|e| e.into_inner())) {
            return key;
        }
        let t = if self.key_step_s.is_infinite() {
            self.times[self.times.len() / 2]
        } else {
            self.clip.start_s + index as f64 * self.key_step_s
        };
        let key = Arc::new(self.draw_key(t));
        let mut keys = self.keys.lock().unwrap_or_else(|e| e.into_inner());
        if let Some(key) = find(&keys) {
            return key;
        }
        keys.push((index, key.clone()));
        if keys.len() > KEYS_KEPT {
            keys.remove(0);
        }
        key
    }

    fn draw_key(&self, t: f64) -> Key {
        let (r, tile) = (self.factor, self.tiling.tile_px);
        let planes = self.channel_planes(self.object.draw(t, self.canvas_px, r, 2));
        let n = self.canvas_px * r;
        let size = tile * r;
        let forward = RealForward::new(size);
        let middle = (n as f64 - 1.0) / 2.0;
        let one = self.tiling.grid == 1;
        let bands = self
            .tiling
            .nodes
            .iter()
            .map(|node| {
                node.lit.then(|| {
                    let tent = |k: i64, axis: usize| {
                        if one {
                            return 1.0;
                        }
                        let at = (k as f64 - middle) / r as f64 - node.place_px[axis];
                        (1.0 - at.abs() / self.tiling.spacing_px).max(0.0) as f32
                    };
                    let origin = node.origin.map(|o| o * r as i64);
                    let wx: Vec<f32> = (0..size as i64).map(|i| tent(i + origin[0], 0)).collect();
                    let wy: Vec<f32> = (0..size as i64).map(|j| tent(j + origin[1], 1)).collect();
                    self.channels
                        .iter()
                        .zip(&planes)
                        .map(|(channel, plane)| {
                            let mut grid = vec![0f32; size * size];
                            for (j, row) in grid.chunks_exact_mut(size).enumerate() {
                                let y = j as i64 + origin[1];
                                if wy[j] == 0.0 || y < 0 || y >= n as i64 {
                                    continue;
                                }
                                for (i, value) in row.iter_mut().enumerate() {
                                    let x = i as i64 + origin[0];
                                    if x >= 0 && x < n as i64 {
                                        *value = plane[y as usize * n + x as usize] * wx[i] * wy[j];
                                    }
                                }
                            }
                            let half = forward.run(&mut grid);
                            let reach = channel.reading.reach.min(size / 2 - 1);
                            let mut band = Band::from_half(&half, size, reach, 1.0 / (size * size) as f32);
                            let factors = self.tiling.spline_factors(reach, tile, r);
                            apply_axes(&mut band, &factors, &factors);
                            band
                        })
                        .collect()
                })
            })
            .collect();
        let far = if self.tiling.parts_light() { self.draw_far(&planes) } else { Vec::new() };
        Key { bands, far }
    }

    /// Bands of the whole object on the field of the far light.
    fn draw_far(&self, planes: &[Vec<f32>]) -> Vec<Band> {
        let (r, side) = (self.factor, self.tiling.far_px);
        let (n, size) = (self.canvas_px * r, side * r);
        let forward = RealForward::new(size);
        let first = (size - n) / 2;
        let draw = |(channel, plane): (&Channel, &Vec<f32>)| {
            let mut grid = vec![0f32; size * size];
            for (row, line) in plane.chunks_exact(n).enumerate() {
                let at = (first + row) * size + first;
                grid[at..at + n].copy_from_slice(line);
            }
            let half = forward.run(&mut grid);
            let reach = channel.far_reading.reach.min(size / 2 - 1);
            let mut band = Band::from_half(&half, size, reach, 1.0 / (size * size) as f32);
            let factors = self.tiling.spline_factors(reach, side, r);
            apply_axes(&mut band, &factors, &factors);
            band
        };
        self.channels.iter().zip(planes).map(draw).collect()
    }

    /// The planes that the camera tells apart, out of red, green, blue.
    pub(crate) fn channel_planes(&self, planes: [Vec<f32>; 3]) -> Vec<Vec<f32>> {
        if self.clip.camera.layout == Layout::Mono {
            if let Some(plane) = self.clip.filter.and_then(|colour| planes.get(colour)) {
                return vec![plane.clone()];
            }
            let [r, g, b] = &planes;
            vec![r.iter().zip(g).zip(b).map(|((r, g), b)| (r + g + b) / 3.0).collect()]
        } else {
            planes.into()
        }
    }

    /// Radiance on the sensor, a plane a channel, sky included.
    pub(crate) fn expose(&self, waves: &Waves) -> Vec<Vec<f32>> {
        let clip = &self.clip;
        let (w, h) = (clip.camera.width, clip.camera.height);
        let glow = clip.clouds.map_or(0.0, |c| c.glow * (1.0 - waves.truth.transmission));
        let sky = (clip.sky * (1.0 + glow)) as f32;
        let through = waves.truth.transmission as f32;
        let (first, second, share) = self.keys_at(waves.truth.time_s);
        (0..self.channels.len())
            .map(|c| {
                let mut plane = vec![sky; w * h];
                if self.tiling.grid == 1 {
                    self.expose_whole(c, waves, &first, &second, share, through, &mut plane);
                } else {
                    self.expose_tiles(c, waves, &first, &second, share, through, &mut plane);
                }
                plane
            })
            .collect()
    }

    /// Product of the object's band and a transfer function.
    fn image_band(&self, c: usize, node: usize, waves: &Waves, first: &Key, second: &Key, share: f32) -> Option<Band> {
        let transfer = waves.transfers[node].as_ref()?.get(c)?;
        let (a, b) = (&first.bands[node].as_ref()?[c], &second.bands[node].as_ref()?[c]);
        Some(product(self.channels[c].reading.read(transfer), a, b, share))
    }

    #[expect(clippy::too_many_arguments, reason = "one exposure, two ways of rendering it")]
    fn expose_whole(
        &self,
        c: usize,
        waves: &Waves,
        first: &Key,
        second: &Key,
        share: f32,
        through: f32,
        plane: &mut [f32],
    ) {
        let (w, h) = (self.clip.camera.width, self.clip.camera.height);
        let n = self.canvas_px;
        let Some(mut band) = self.image_band(c, 0, waves, first, second, share) else { return };
        let corner = |size: usize, k: usize| {
            (size as f64 - n as f64) / 2.0 + waves.shifts[0][k] + self.channels[c].dispersion_px[k]
        };
        let place = [corner(w, 0), corner(h, 1)];
        let whole = place.map(|p| p.round());
        let x = axis_factors(band.reach, n, |_| 1.0, place[0] - whole[0]);
        let y = axis_factors(band.reach, n, |_| 1.0, place[1] - whole[1]);
        apply_axes(&mut band, &x, &y);
        let mut half = vec![Complex32::default(); n * (n / 2 + 1)];
        band.fold_into(&mut half, n);
        let picture = self.tiling.inverse.run(&mut half);
        for row in 0..h {
            let source_row = row as i64 - whole[1] as i64;
            if source_row < 0 || source_row >= n as i64 {
                continue;
            }
            for column in 0..w {
                let source = column as i64 - whole[0] as i64;
                if source >= 0 && source < n as i64 {
                    plane[row * w + column] += through * picture[source_row as usize * n + source as usize];
                }
            }
        }
    }

    #[expect(clippy::too_many_arguments, reason = "one exposure, two ways of rendering it")]
    fn expose_tiles(
        &self,
        c: usize,
        waves: &Waves,
        first: &Key,
        second: &Key,
        share: f32,
        through: f32,
        plane: &mut [f32],
    ) {
        let tiling = &self.tiling;
        let (w, h) = (self.clip.camera.width, self.clip.camera.height);
        let points = |px: i64| px * tiling.doubled as i64 / 2;
        let size = tiling.inverse.size;
        let mut canvas = self.far_light(c, waves, first, second, share);
        let side = tiling.far_inverse.size;
        let margin = points((tiling.far_px - self.canvas_px) as i64 / 2);
        for (k, node) in tiling.nodes.iter().enumerate() {
            let Some(band) = self.image_band(c, k, waves, first, second, share) else { continue };
            let mut half = vec![Complex32::default(); size * (size / 2 + 1)];
            band.fold_into(&mut half, size);
            let tile = tiling.inverse.run(&mut half);
            let origin = node.origin.map(|o| points(o) + margin);
            let x0 = (-origin[0]).clamp(0, size as i64) as usize;
            let x1 = (side as i64 - origin[0]).clamp(x0 as i64, size as i64) as usize;
            for (j, row) in tile.chunks_exact(size).enumerate() {
                let y = j as i64 + origin[1];
                if y < 0 || y >= side as i64 || x1 <= x0 {
                    continue;
                }
                let start = y as usize * side + (x0 as i64 + origin[0]) as usize;
                for (sum, value) in canvas[start..start + x1 - x0].iter_mut().zip(&row[x0..x1]) {
                    *sum += value;
                }
            }
        }
        let dispersion = self.channels[c].dispersion_px;
        let mean = [0, 1].map(|k| waves.truth.shift_px[k] + dispersion[k]);
        let scale = tiling.doubled as f64 / 2.0;
        let middle = (side as f64 - 1.0) / 2.0;
        for row in 0..h {
            for column in 0..w {
                if let Layout::Mosaic(pattern) = self.clip.camera.layout
                    && pattern.colour(column, row) != c
                {
                    continue;
                }
                let from =
                    [column as f64 - (w as f64 - 1.0) / 2.0 - mean[0], row as f64 - (h as f64 - 1.0) / 2.0 - mean[1]];
                let local = self.local_shift(&waves.shifts, from);
                let at = [0, 1].map(|k| middle + scale * (from[k] + mean[k] - local[k] - dispersion[k]));
                if let Some(value) = spline(&canvas, side, at) {
                    plane[row * w + column] += through * value;
                }
            }
        }
    }

    /// Light of channel `c` far from where it belongs, as a spline's coefficients over the far field.
    fn far_light(&self, c: usize, waves: &Waves, first: &Key, second: &Key, share: f32) -> Vec<f32> {
        let inverse = &self.tiling.far_inverse;
        let mut half = vec![Complex32::default(); inverse.size * (inverse.size / 2 + 1)];
        if let (Some(transfer), Some(a), Some(b)) = (waves.far.get(c), first.far.get(c), second.far.get(c)) {
            product(self.channels[c].far_reading.read(transfer), a, b, share).fold_into(&mut half, inverse.size);
        }
        inverse.run(&mut half)
    }

    /// Shift at a place from the object's middle, between the nodes by linear interpolation.
    fn local_shift(&self, shifts: &[[f64; 2]], place: [f64; 2]) -> [f64; 2] {
        let grid = self.tiling.grid;
        let first = self.tiling.nodes[0].place_px;
        let along = |k: usize| {
            let x = ((place[k] - first[k]) / self.tiling.spacing_px).clamp(0.0, (grid - 1) as f64);
            let i = (x.floor() as usize).min(grid - 2);
            (i, x - i as f64)
        };
        let ((i, tx), (j, ty)) = (along(0), along(1));
        [0, 1].map(|k| {
            let at = |i: usize, j: usize| shifts[j * grid + i][k];
            let low = at(i, j) + tx * (at(i + 1, j) - at(i, j));
            let high = at(i, j + 1) + tx * (at(i + 1, j + 1) - at(i, j + 1));
            low + ty * (high - low)
        })
    }
}

/// Value at `(x, y)` of a picture given by its cubic B-spline coefficients; nothing outside.
fn spline(coefficients: &[f32], side: usize, at: [f64; 2]) -> Option<f32> {
    let floor = at.map(f64::floor);
    if floor[0] < 1.0 || floor[1] < 1.0 || floor[0] + 2.0 >= side as f64 || floor[1] + 2.0 >= side as f64 {
        return None;
    }
    let weights = |k: usize| {
        let t = (at[k] - floor[k]) as f32;
        let (t2, t3) = (t * t, t * t * t);
        let u = 1.0 - t;
        [u * u * u / 6.0, (3.0 * t3 - 6.0 * t2 + 4.0) / 6.0, (-3.0 * t3 + 3.0 * t2 + 3.0 * t + 1.0) / 6.0, t3 / 6.0]
    };
    let (wx, wy) = (weights(0), weights(1));
    let start = (floor[1] as usize - 1) * side + floor[0] as usize - 1;
    let mut sum = 0.0;
    for (j, wy) in wy.iter().enumerate() {
        let row = &coefficients[start + j * side..start + j * side + 4];
        sum += wy * (row[0] * wx[0] + row[1] * wx[1] + row[2] * wx[2] + row[3] * wx[3]);
    }
    Some(sum)
}

/// Product of a transfer function and the object's band between two drawings.
fn product(mut transfer: Band, a: &Band, b: &Band, share: f32) -> Band {
    if transfer.reach != a.reach {
        return crop_product(&transfer, a, b, share);
    }
    for ((value, a), b) in transfer.values.iter_mut().zip(&a.values).zip(&b.values) {
        *value *= a + (b - a) * share;
    }
    transfer
}

/// The product where the object's band is narrower than the transfer function's.
fn crop_product(transfer: &Band, a: &Band, b: &Band, share: f32) -> Band {
    let (reach, span) = (a.reach, 2 * a.reach + 1);
    let outer = 2 * transfer.reach + 1;
    let mut values = Vec::with_capacity(a.values.len());
    for kx in 0..=reach {
        for j in 0..span {
            let k = kx * span + j;
            values.push(
                transfer.values[kx * outer + j + transfer.reach - reach]
                    * (a.values[k] + (b.values[k] - a.values[k]) * share),
            );
        }
    }
    Band { reach, values }
}
