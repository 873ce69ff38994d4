//! Values as bytes: little-endian, every list with its length, every number with all its bits.

use std::io::{self, Read, Write};
use std::sync::Arc;

use serde::Serialize;
use serde::de::DeserializeOwned;
use stillair_api::{Column, GlobalRow, Image, LocalLayer, Motion, Record, SpinLayer, Table, Value};

/// Bytes turned at a time.
const CHUNK: usize = 1 << 16;

/// An error for bytes that are no value.
fn broken() -> io::Error {
    io::ErrorKind::InvalidData.into()
}

/// Writes values.
pub(super) struct Writer<W>(pub W);

impl<W: Write> Writer<W> {
    pub fn number(&mut self, number: u64) -> io::Result<()> {
        self.0.write_all(&number.to_le_bytes())
    }

    pub fn text(&mut self, text: &str) -> io::Result<()> {
        self.number(text.len() as u64)?;
        self.0.write_all(text.as_bytes())
    }

    /// What is small: as CBOR, which keeps every number as it is.
    pub fn small(&mut self, value: &impl Serialize) -> io::Result<()> {
        let mut bytes = Vec::new();
        ciborium::into_writer(value, &mut bytes).map_err(io::Error::other)?;
        self.number(bytes.len() as u64)?;
        self.0.write_all(&bytes)
    }

    fn list<const N: usize, T: Copy>(&mut self, list: &[T], bytes: impl Fn(T) -> [u8; N]) -> io::Result<()> {
        self.number(list.len() as u64)?;
        let mut buffer = Vec::with_capacity(CHUNK);
        for chunk in list.chunks(CHUNK / N) {
            buffer.clear();
            chunk.iter().for_each(|v| buffer.extend_from_slice(&bytes(*v)));
            self.0.write_all(&buffer)?;
        }
        Ok(())
    }

    fn floats(&mut self, list: &[f64]) -> io::Result<()> {
        self.list(list, f64::to_le_bytes)
    }

    fn samples(&mut self, list: &[f32]) -> io::Result<()> {
        self.list(list, f32::to_le_bytes)
    }

    fn maybe<T>(&mut self, value: Option<T>, write: impl FnOnce(&mut Self, T) -> io::Result<()>) -> io::Result<()> {
        self.number(u64::from(value.is_some()))?;
        value.map_or(Ok(()), |value| write(self, value))
    }

    pub fn value(&mut self, value: &Value) -> io::Result<()> {
        match value {
            Value::Table(table) => {
                self.number(1)?;
                self.table(table)
            }
            Value::Motion(motion) => {
                self.number(2)?;
                self.motion(motion)
            }
            Value::Image(image) => {
                self.number(3)?;
                self.image(image)
            }
            Value::Record(record) => {
                self.number(4)?;
                self.small(&record.entries)
            }
        }
    }

    fn table(&mut self, table: &Table) -> io::Result<()> {
        self.number(table.rows() as u64)?;
        self.number(table.columns().len() as u64)?;
        for column in table.columns() {
            self.small(&column.spec)?;
            self.floats(&column.data)?;
        }
        Ok(())
    }

    fn motion(&mut self, motion: &Motion) -> io::Result<()> {
        let Motion { global, channel_px, local, spin } = motion;
        self.maybe(global.as_ref(), |w, rows| {
            w.floats(&rows.iter().flat_map(|r| [r.x_px, r.y_px, r.rotation_rad, r.scale]).collect::<Vec<_>>())
        })?;
        self.maybe(*channel_px, |w, channels| w.floats(channels.as_flattened()))?;
        self.maybe(local.as_deref(), |w, local| {
            // Named one by one: a field that is new does not compile until it stands here.
            let LocalLayer { first_px, step_px, nodes, shift_px, covariance_px2, grade, weight } = local;
            w.floats(&[*first_px, *step_px].concat())?;
            w.number(nodes[0] as u64)?;
            w.number(nodes[1] as u64)?;
            w.samples(shift_px.as_flattened())?;
            w.samples(covariance_px2.as_flattened())?;
            w.samples(grade)?;
            w.samples(weight)
        })?;
        self.maybe(spin.as_deref(), |w, spin| {
            let SpinLayer {
                centre_px: [x, y],
                equatorial_radius_px,
                axis_ratio,
                latitude_rad,
                pole_rad,
                turn_rad,
                zonal,
                profile,
            } = spin;
            w.floats(&[*x, *y, *equatorial_radius_px, *axis_ratio, *latitude_rad, *pole_rad])?;
            w.floats(turn_rad)?;
            w.samples(zonal)?;
            w.samples(profile)
        })
    }

    fn image(&mut self, image: &Image) -> io::Result<()> {
        let Image { width, height, channels, data, weight, halves, info } = image;
        for number in [width, height, channels] {
            self.number(*number as u64)?;
        }
        self.samples(data)?;
        self.maybe(weight.as_ref(), |w, weight| w.samples(weight))?;
        self.maybe(halves.as_ref(), |w, halves| {
            w.samples(&halves[0])?;
            w.samples(&halves[1])
        })?;
        self.small(info)
    }
}

/// Reads values; never takes more memory than the bytes that are left could fill.
pub(super) struct Reader<R> {
    pub inner: R,
    /// Bytes that are left.
    pub left: u64,
}

impl<R: Read> Reader<R> {
    pub fn fill(&mut self, bytes: &mut [u8]) -> io::Result<()> {
        self.left = self.left.checked_sub(bytes.len() as u64).ok_or_else(broken)?;
        self.inner.read_exact(bytes)
    }

    pub fn number(&mut self) -> io::Result<u64> {
        let mut bytes = [0; 8];
        self.fill(&mut bytes)?;
        Ok(u64::from_le_bytes(bytes))
    }

    fn size(&mut self) -> io::Result<usize> {
        usize::try_from(self.number()?).map_err(|_| broken())
    }

    /// A length of a list whose items take at least so many bytes.
    fn length(&mut self, item_bytes: u64) -> io::Result<usize> {
        let length = self.number()?;
        let fits = length.checked_mul(item_bytes).is_some_and(|bytes| bytes <= self.left);
        if fits { usize::try_from(length).map_err(|_| broken()) } else { Err(broken()) }
    }

    fn flag(&mut self) -> io::Result<bool> {
        match self.number()? {
            0 => Ok(false),
            1 => Ok(true),
            _ => Err(broken()),
        }
    }

    pub fn text(&mut self) -> io::Result<String> {
        let mut bytes = vec![0; self.length(1)?];
        self.fill(&mut bytes)?;
        String::from_utf8(bytes).map_err(|_| broken())
    }

    pub fn small<T: DeserializeOwned>(&mut self) -> io::Result<T> {
        let mut bytes = vec![0; self.length(1)?];
        self.fill(&mut bytes)?;
        ciborium::from_reader(bytes.as_slice()).map_err(|_| broken())
    }

    fn list<const N: usize, T>(&mut self, value: impl Fn([u8; N]) -> T) -> io::Result<Vec<T>> {
        let length = self.length(N as u64)?;
        let mut list = Vec::with_capacity(length);
        let mut buffer = vec![0; CHUNK.min(length * N)];
        while list.len() < length {
            let count = (length - list.len()).min(CHUNK / N);
            let bytes = &mut buffer[..count * N];
            self.fill(bytes)?;
            list.extend(bytes.as_chunks::<N>().0.iter().map(|b| value(*b)));
        }
        Ok(list)
    }

    fn floats(&mut self) -> io::Result<Vec<f64>> {
        self.list(f64::from_le_bytes)
    }

    fn float_array<const N: usize>(&mut self) -> io::Result<[f64; N]> {
        self.floats()?.try_into().map_err(|_| broken())
    }

    fn samples(&mut self) -> io::Result<Vec<f32>> {
        self.list(f32::from_le_bytes)
    }

    fn groups<const N: usize>(&mut self) -> io::Result<Vec<[f32; N]>> {
        let flat = self.samples()?;
        let (groups, rest) = flat.as_chunks::<N>();
        if rest.is_empty() { Ok(groups.to_vec()) } else { Err(broken()) }
    }

    fn maybe<T>(&mut self, read: impl FnOnce(&mut Self) -> io::Result<T>) -> io::Result<Option<T>> {
        if self.flag()? { read(self).map(Some) } else { Ok(None) }
    }

    pub fn value(&mut self) -> io::Result<Value> {
        Ok(match self.number()? {
            1 => Value::Table(Arc::new(self.table()?)),
            2 => Value::Motion(Arc::new(self.motion()?)),
            3 => Value::Image(Arc::new(self.image()?)),
            4 => Value::Record(Arc::new(Record { entries: self.small()? })),
            _ => return Err(broken()),
        })
    }

    fn table(&mut self) -> io::Result<Table> {
        let rows = self.size()?;
        let count = self.length(16)?;
        let mut columns = Vec::with_capacity(count);
        for _ in 0..count {
            columns.push(Column { spec: self.small()?, data: self.floats()?.into() });
        }
        Table::of_columns(rows, columns).ok_or_else(broken)
    }

    fn motion(&mut self) -> io::Result<Motion> {
        let global = self.maybe(Self::floats)?;
        let row = |r: &[f64; 4]| GlobalRow { x_px: r[0], y_px: r[1], rotation_rad: r[2], scale: r[3] };
        let global = global.map(|flat| flat.as_chunks::<4>().0.iter().map(row).collect());
        let channel_px = self.maybe(Self::float_array::<6>)?.map(|c| [[c[0], c[1]], [c[2], c[3]], [c[4], c[5]]]);
        let local = self.maybe(|r| {
            let [x, y, step_x, step_y] = r.float_array()?;
            Ok(Arc::new(LocalLayer {
                first_px: [x, y],
                step_px: [step_x, step_y],
                nodes: [r.size()?, r.size()?],
                shift_px: r.groups()?,
                covariance_px2: r.groups()?,
                grade: r.samples()?,
                weight: r.samples()?,
            }))
        })?;
        let spin = self.maybe(|r| {
            let [x, y, equatorial_radius_px, axis_ratio, latitude_rad, pole_rad] = r.float_array()?;
            let (turn_rad, zonal, profile) = (r.floats()?, r.samples()?, r.samples()?);
            let centre_px = [x, y];
            Ok(Arc::new(SpinLayer {
                centre_px,
                equatorial_radius_px,
                axis_ratio,
                latitude_rad,
                pole_rad,
                turn_rad,
                zonal,
                profile,
            }))
        })?;
        Ok(Motion { global, channel_px, local, spin })
    }

    fn image(&mut self) -> io::Result<Image> {
        let (width, height, channels) = (self.size()?, self.size()?, self.size()?);
        let data = self.samples()?;
        let weight = self.maybe(Self::samples)?;
        let halves = self.maybe(|r| Ok([r.samples()?, r.samples()?]))?;
        let area = width.checked_mul(height).and_then(|a| a.checked_mul(channels)).ok_or_else(broken)?;
        let planes = [&data].into_iter().chain(&weight).chain(halves.iter().flatten());
        if planes.into_iter().any(|plane| plane.len() != area) {
            return Err(broken());
        }
        Ok(Image { width, height, channels, data, weight, halves, info: self.small()? })
    }
}
