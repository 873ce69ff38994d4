//! Values as bytes: little-endian, every list with its length, every number with all its bits.

use std::io::{self, Read, Write};
use std::sync::Arc;

use stillair_api::{
    Column, ColumnSpec, Entry, GlobalRow, Image, ImageInfo, LocalLayer, Motion, Record, Series, SpinLayer, Table, Value,
};

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

    fn float(&mut self, number: f64) -> io::Result<()> {
        self.number(number.to_bits())
    }

    pub fn text(&mut self, text: &str) -> io::Result<()> {
        self.number(text.len() as u64)?;
        self.0.write_all(text.as_bytes())
    }

    pub fn texts(&mut self, texts: &[String]) -> io::Result<()> {
        self.number(texts.len() as u64)?;
        texts.iter().try_for_each(|text| self.text(text))
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
                self.entries(&record.entries)
            }
        }
    }

    fn table(&mut self, table: &Table) -> io::Result<()> {
        self.number(table.rows() as u64)?;
        self.number(table.columns().len() as u64)?;
        for column in table.columns() {
            self.text(&column.spec.name)?;
            self.text(&column.spec.unit)?;
            self.text(&column.spec.help)?;
            self.texts(&column.spec.categories)?;
            self.floats(&column.data)?;
        }
        Ok(())
    }

    fn motion(&mut self, motion: &Motion) -> io::Result<()> {
        self.maybe(motion.global.as_ref(), |w, rows| {
            w.floats(&rows.iter().flat_map(|r| [r.x_px, r.y_px, r.rotation_rad, r.scale]).collect::<Vec<_>>())
        })?;
        self.maybe(motion.channel_px, |w, channels| w.floats(channels.as_flattened()))?;
        self.maybe(motion.local.as_deref(), |w, local| {
            w.floats(&[local.first_px, local.step_px].concat())?;
            w.number(local.nodes[0] as u64)?;
            w.number(local.nodes[1] as u64)?;
            w.samples(local.shift_px.as_flattened())?;
            w.samples(local.covariance_px2.as_flattened())?;
            w.samples(&local.grade)?;
            w.samples(&local.weight)
        })?;
        self.maybe(motion.spin.as_deref(), |w, spin| {
            let [x, y] = spin.centre_px;
            w.floats(&[x, y, spin.equatorial_radius_px, spin.axis_ratio, spin.latitude_rad, spin.pole_rad])?;
            w.floats(&spin.turn_rad)
        })
    }

    fn image(&mut self, image: &Image) -> io::Result<()> {
        for number in [image.width, image.height, image.channels] {
            self.number(number as u64)?;
        }
        self.samples(&image.data)?;
        self.maybe(image.weight.as_ref(), |w, weight| w.samples(weight))?;
        self.maybe(image.halves.as_ref(), |w, halves| {
            w.samples(&halves[0])?;
            w.samples(&halves[1])
        })?;
        let info = &image.info;
        self.maybe(info.arcsec_per_px, Self::float)?;
        self.float(info.px_per_capture_px)?;
        self.maybe(info.middle_unix_ns, |w, ns| w.number(ns.cast_unsigned()))?;
        self.maybe(info.exposure_total_s, Self::float)?;
        self.number(info.frames_used as u64)?;
        self.float(info.frames_effective)?;
        self.floats(&info.reference_px)?;
        self.maybe(info.disc, |w, d| {
            w.floats(&[d.x_px, d.y_px, d.equatorial_radius_px, d.polar_radius_px, d.pole_rad])
        })?;
        self.floats(&info.wavelength_nm)?;
        self.number(u64::from(info.from_mosaic))?;
        self.texts(&info.history)
    }

    pub fn entries(&mut self, entries: &[Entry]) -> io::Result<()> {
        self.number(entries.len() as u64)?;
        entries.iter().try_for_each(|entry| self.entry(entry))
    }

    fn entry(&mut self, entry: &Entry) -> io::Result<()> {
        match entry {
            Entry::Number { name, value, unit, help } => {
                self.number(1)?;
                self.float(*value)?;
                [name, unit, help].into_iter().try_for_each(|t| self.text(t))
            }
            Entry::Text { name, value } => {
                self.number(2)?;
                [name, value].into_iter().try_for_each(|t| self.text(t))
            }
            Entry::Series(s) => {
                self.number(3)?;
                [&s.name, &s.x_label, &s.x_unit, &s.y_label, &s.y_unit].into_iter().try_for_each(|t| self.text(t))?;
                self.floats(&s.x)?;
                self.floats(&s.y)
            }
            Entry::Verdict { name, value, unit, threshold, text } => {
                self.number(4)?;
                self.float(*value)?;
                self.float(*threshold)?;
                [name, unit, text].into_iter().try_for_each(|t| self.text(t))
            }
        }
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

    fn float(&mut self) -> io::Result<f64> {
        self.number().map(f64::from_bits)
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

    pub fn texts(&mut self) -> io::Result<Vec<String>> {
        let count = self.length(8)?;
        (0..count).map(|_| self.text()).collect()
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
            4 => Value::Record(Arc::new(Record { entries: self.entries()? })),
            _ => return Err(broken()),
        })
    }

    fn table(&mut self) -> io::Result<Table> {
        let rows = self.size()?;
        let count = self.length(40)?;
        let mut columns = Vec::with_capacity(count);
        for _ in 0..count {
            let (name, unit, help, categories) = (self.text()?, self.text()?, self.text()?, self.texts()?);
            columns.push(Column { spec: ColumnSpec { name, unit, categories, help }, data: self.floats()?.into() });
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
            let turn_rad = r.floats()?;
            let centre_px = [x, y];
            Ok(Arc::new(SpinLayer { centre_px, equatorial_radius_px, axis_ratio, latitude_rad, pole_rad, turn_rad }))
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
        let info = ImageInfo {
            arcsec_per_px: self.maybe(Self::float)?,
            px_per_capture_px: self.float()?,
            middle_unix_ns: self.maybe(Self::number)?.map(u64::cast_signed),
            exposure_total_s: self.maybe(Self::float)?,
            frames_used: self.size()?,
            frames_effective: self.float()?,
            reference_px: self.float_array()?,
            disc: self.maybe(|r| {
                let [x_px, y_px, equatorial_radius_px, polar_radius_px, pole_rad] = r.float_array()?;
                Ok(stillair_api::Disc { x_px, y_px, equatorial_radius_px, polar_radius_px, pole_rad })
            })?,
            wavelength_nm: self.floats()?,
            from_mosaic: self.flag()?,
            history: self.texts()?,
        };
        Ok(Image { width, height, channels, data, weight, halves, info })
    }

    pub fn entries(&mut self) -> io::Result<Vec<Entry>> {
        let count = self.length(8)?;
        (0..count).map(|_| self.entry()).collect()
    }

    fn entry(&mut self) -> io::Result<Entry> {
        Ok(match self.number()? {
            1 => {
                let value = self.float()?;
                Entry::Number { value, name: self.text()?, unit: self.text()?, help: self.text()? }
            }
            2 => Entry::Text { name: self.text()?, value: self.text()? },
            3 => Entry::Series(Series {
                name: self.text()?,
                x_label: self.text()?,
                x_unit: self.text()?,
                y_label: self.text()?,
                y_unit: self.text()?,
                x: self.floats()?,
                y: self.floats()?,
            }),
            4 => {
                let (value, threshold) = (self.float()?, self.float()?);
                Entry::Verdict { value, threshold, name: self.text()?, unit: self.text()?, text: self.text()? }
            }
            _ => return Err(broken()),
        })
    }
}
