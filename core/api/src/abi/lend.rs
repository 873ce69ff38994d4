//! Values to views: what a view points to lives in the value, or in the [`Lender`].

use std::any::Any;

use super::prefix::blank;
use super::raw::{self, Text};
use crate::{
    ClipInfo, Entry, Fact, FactOrigin, FactValue, Frame, Image, Layout, LocalLayer, Motion, ParameterValue, Pattern,
    Placement, SpinLayer, Table, TimesOrigin, Value,
};

/// A text as the boundary has it.
pub fn text(text: &str) -> Text {
    Text { data: text.as_ptr(), length: text.len() }
}

/// The number of a layout.
pub fn layout(layout: Layout) -> u32 {
    match layout {
        Layout::Mono => raw::STILLAIR_MONO,
        Layout::Rgb => raw::STILLAIR_RGB,
        Layout::Mosaic(Pattern::Rggb) => raw::STILLAIR_RGGB,
        Layout::Mosaic(Pattern::Grbg) => raw::STILLAIR_GRBG,
        Layout::Mosaic(Pattern::Gbrg) => raw::STILLAIR_GBRG,
        Layout::Mosaic(Pattern::Bggr) => raw::STILLAIR_BGGR,
    }
}

/// A frame, to be read only.
pub fn frame(frame: &Frame) -> raw::FrameView {
    raw::FrameView {
        index: frame.index,
        x: frame.region.x,
        y: frame.region.y,
        width: frame.region.width,
        height: frame.region.height,
        layout: layout(frame.layout),
        planes: frame.layout.planes() as u32,
        row_stride: frame.region.width,
        plane_stride: frame.region.area(),
        data: frame.data.as_ptr().cast_mut(),
        ..blank()
    }
}

fn pointer_or_null<T, U>(data: &[T]) -> *const U {
    if data.is_empty() { std::ptr::null() } else { data.as_ptr().cast() }
}

/// Keeps what views point to and values do not hold. Everything lent is good while lender and value live.
#[derive(Default)]
pub struct Lender {
    kept: Vec<Box<dyn Any>>,
}

impl Lender {
    fn keep<T: 'static>(&mut self, values: Vec<T>) -> *const T {
        let pointer = values.as_ptr();
        self.kept.push(Box::new(values));
        pointer
    }

    fn one<T: 'static>(&mut self, value: T) -> *const T {
        self.keep(vec![value])
    }

    fn texts<'a>(&mut self, texts: impl IntoIterator<Item = &'a String>) -> *const Text {
        self.keep(texts.into_iter().map(|t| text(t)).collect())
    }

    /// A clip.
    pub fn clip(&mut self, clip: &ClipInfo, worker_bytes: u64) -> *const raw::ClipView {
        let view = raw::ClipView {
            frames: clip.frames,
            width: clip.width,
            height: clip.height,
            layout: layout(clip.layout),
            bits: clip.bits,
            white_level: clip.white_level,
            time_s: clip.time_s.as_ptr(),
            start_unix_ns: clip.start_unix_ns.unwrap_or_default(),
            has_start: clip.start_unix_ns.is_some().into(),
            times: match clip.times {
                TimesOrigin::Stamps => 0,
                TimesOrigin::Rate => 1,
                TimesOrigin::Absent => 2,
            },
            exposure_s: clip.exposure_s.unwrap_or(f64::NAN),
            header_names: self.texts(clip.header.keys()),
            header_values: self.texts(clip.header.values()),
            header_count: clip.header.len(),
            notes: self.texts(&clip.notes),
            note_count: clip.notes.len(),
            worker_bytes,
            ..blank()
        };
        self.one(view)
    }

    /// A table.
    pub fn table(&mut self, table: &Table) -> *const raw::TableView {
        let mut columns = Vec::new();
        for column in table.columns() {
            let view = raw::ColumnView {
                name: text(&column.spec.name),
                unit: text(&column.spec.unit),
                help: text(&column.spec.help),
                categories: self.texts(&column.spec.categories),
                category_count: column.spec.categories.len(),
                data: column.data.as_ptr(),
                ..blank()
            };
            columns.push(self.one(view));
        }
        let (column_count, columns) = (columns.len(), self.keep(columns));
        self.one(raw::TableView { rows: table.rows(), columns, column_count, ..blank() })
    }

    fn local(&mut self, layer: &LocalLayer) -> *const raw::LocalView {
        self.one(raw::LocalView {
            first_x_px: layer.first_px[0],
            first_y_px: layer.first_px[1],
            step_x_px: layer.step_px[0],
            step_y_px: layer.step_px[1],
            columns: layer.nodes[0],
            rows: layer.nodes[1],
            count: layer.shift_px.len(),
            shift_px: pointer_or_null(&layer.shift_px),
            covariance_px2: pointer_or_null(&layer.covariance_px2),
            grade: pointer_or_null(&layer.grade),
            weight: pointer_or_null(&layer.weight),
            ..blank()
        })
    }

    fn spin(&mut self, layer: &SpinLayer) -> *const raw::SpinView {
        self.one(raw::SpinView {
            centre_x_px: layer.centre_px[0],
            centre_y_px: layer.centre_px[1],
            equatorial_radius_px: layer.equatorial_radius_px,
            axis_ratio: layer.axis_ratio,
            latitude_rad: layer.latitude_rad,
            pole_rad: layer.pole_rad,
            turn_rad: layer.turn_rad.as_ptr(),
            turn_count: layer.turn_rad.len(),
            profile: pointer_or_null(&layer.profile),
            profile_count: layer.profile.len(),
            zonal: pointer_or_null(&layer.zonal),
            zonal_count: layer.zonal.len(),
            ..blank()
        })
    }

    /// A motion.
    pub fn motion(&mut self, motion: &Motion) -> *const raw::MotionView {
        let mut view: raw::MotionView = blank();
        if let Some(rows) = &motion.global {
            view.global_count = rows.len();
            view.global = self.keep(rows.iter().flat_map(|r| [r.x_px, r.y_px, r.rotation_rad, r.scale]).collect());
        }
        if let Some(channel) = &motion.channel_px {
            view.channel_px = channel.as_ptr().cast();
        }
        if let Some(layer) = &motion.local {
            view.local = self.local(layer);
        }
        if let Some(layer) = &motion.spin {
            view.spin = self.spin(layer);
        }
        self.one(view)
    }

    /// A placement.
    pub fn placement(&mut self, placement: &Placement) -> *const raw::PlacementView {
        let local: Vec<_> = placement.local.iter().map(|l| self.local(l)).collect();
        let [r, g, b] = placement.channel_px;
        let view = raw::PlacementView {
            index: placement.index,
            x_px: placement.global.x_px,
            y_px: placement.global.y_px,
            rotation_rad: placement.global.rotation_rad,
            scale: placement.global.scale,
            channel_px: [r[0], r[1], g[0], g[1], b[0], b[1]],
            local_count: local.len(),
            local: self.keep(local),
            spin: placement.spin.as_ref().map_or(std::ptr::null(), |s| self.spin(s)),
            ..blank()
        };
        self.one(view)
    }

    fn globe(&mut self, globe: Option<&crate::Globe>) -> Text {
        match globe.and_then(|g| serde_json::to_string(g).ok()) {
            Some(json) => {
                let length = json.len();
                Text { data: self.keep(json.into_bytes()), length }
            }
            None => Text { data: std::ptr::null(), length: 0 },
        }
    }

    /// A picture.
    pub fn image(&mut self, image: &Image) -> *const raw::ImageView {
        let info = &image.info;
        let disc = info.disc.map(|d| vec![d.x_px, d.y_px, d.equatorial_radius_px, d.polar_radius_px, d.pole_rad]);
        let halves = image.halves.as_ref();
        let view = raw::ImageView {
            width: image.width,
            height: image.height,
            channels: image.channels,
            row_stride: image.width,
            plane_stride: image.area(),
            data: image.data.as_ptr(),
            weight: image.weight.as_ref().map_or(std::ptr::null(), |w| w.as_ptr()),
            half_a: halves.map_or(std::ptr::null(), |h| h[0].as_ptr()),
            half_b: halves.map_or(std::ptr::null(), |h| h[1].as_ptr()),
            arcsec_per_px: info.arcsec_per_px.unwrap_or(f64::NAN),
            px_per_capture_px: info.px_per_capture_px,
            middle_unix_ns: info.middle_unix_ns.unwrap_or_default(),
            has_middle: info.middle_unix_ns.is_some().into(),
            from_mosaic: info.from_mosaic.into(),
            exposure_total_s: info.exposure_total_s.unwrap_or(f64::NAN),
            frames_used: info.frames_used,
            frames_effective: info.frames_effective,
            reference_px: info.reference_px,
            disc: disc.map_or(std::ptr::null(), |d| self.keep(d)),
            wavelength_nm: info.wavelength_nm.as_ptr(),
            wavelength_count: info.wavelength_nm.len(),
            history: self.texts(&info.history),
            history_count: info.history.len(),
            globe: self.globe(info.globe.as_ref()),
            begin_unix_ns: info.begin_unix_ns.unwrap_or_default(),
            end_unix_ns: info.end_unix_ns.unwrap_or_default(),
            has_begin: info.begin_unix_ns.is_some().into(),
            has_end: info.end_unix_ns.is_some().into(),
            filter: match &info.filter {
                Some(filter) => text(filter),
                None => Text { data: std::ptr::null(), length: 0 },
            },
            mosaic_kept: info.mosaic_kept.into(),
            parts_placed: info.parts_placed.into(),
            ..blank()
        };
        self.one(view)
    }

    /// A fact of a record.
    pub fn entry(&mut self, entry: &Entry) -> *const raw::EntryView {
        let named = |name: &str| {
            let empty = text("");
            raw::EntryView {
                name: text(name),
                unit: empty,
                text: empty,
                x_label: empty,
                x_unit: empty,
                y_label: empty,
                y_unit: empty,
                ..blank()
            }
        };
        let view = match entry {
            Entry::Number { name, value, unit, help } => raw::EntryView {
                kind: raw::STILLAIR_ENTRY_NUMBER,
                value: *value,
                unit: text(unit),
                text: text(help),
                ..named(name)
            },
            Entry::Text { name, value } => {
                raw::EntryView { kind: raw::STILLAIR_ENTRY_TEXT, text: text(value), ..named(name) }
            }
            Entry::Series(series) => raw::EntryView {
                kind: raw::STILLAIR_ENTRY_SERIES,
                x_label: text(&series.x_label),
                x_unit: text(&series.x_unit),
                y_label: text(&series.y_label),
                y_unit: text(&series.y_unit),
                x: series.x.as_ptr(),
                y: series.y.as_ptr(),
                count: series.x.len().min(series.y.len()),
                ..named(&series.name)
            },
            Entry::Verdict { name, value, unit, threshold, text: words } => raw::EntryView {
                kind: raw::STILLAIR_ENTRY_VERDICT,
                value: *value,
                unit: text(unit),
                threshold: *threshold,
                text: text(words),
                ..named(name)
            },
        };
        self.one(view)
    }

    /// The entries of a record.
    pub fn entries(&mut self, entries: &[Entry]) -> *const *const raw::EntryView {
        let views: Vec<_> = entries.iter().map(|e| self.entry(e)).collect();
        self.keep(views)
    }

    /// A value linked to a port.
    pub fn bound(&mut self, port: &str, value: &Value) -> raw::BoundView {
        let mut view = raw::BoundView { port: text(port), ..blank() };
        match value {
            Value::Table(table) => (view.kind, view.table) = (raw::STILLAIR_TABLE, self.table(table)),
            Value::Motion(motion) => (view.kind, view.motion) = (raw::STILLAIR_MOTION, self.motion(motion)),
            Value::Image(image) => (view.kind, view.image) = (raw::STILLAIR_IMAGE, self.image(image)),
            Value::Record(record) => {
                (view.kind, view.entries) = (raw::STILLAIR_RECORD, self.entries(&record.entries));
                view.entry_count = record.entries.len();
            }
        }
        view
    }
}

/// A parameter.
pub fn parameter(name: &str, value: &ParameterValue) -> raw::SettingView {
    let mut view = raw::SettingView { name: text(name), text: text(""), ..blank() };
    match value {
        ParameterValue::Flag(flag) => (view.kind, view.integer) = (raw::STILLAIR_FLAG, (*flag).into()),
        ParameterValue::Integer(number) => (view.kind, view.integer) = (raw::STILLAIR_INTEGER, *number),
        ParameterValue::Number(number) => (view.kind, view.number) = (raw::STILLAIR_NUMBER, *number),
        ParameterValue::Text(words) => (view.kind, view.text) = (raw::STILLAIR_TEXT, text(words)),
        ParameterValue::Numbers(numbers) => {
            view.kind = raw::STILLAIR_NUMBERS;
            (view.numbers, view.number_count) = (numbers.as_ptr(), numbers.len());
        }
    }
    view
}

/// A session fact.
pub fn fact(name: &str, fact: &Fact) -> raw::SettingView {
    let mut view = raw::SettingView { name: text(name), text: text(""), ..blank() };
    match &fact.value {
        FactValue::Flag(flag) => (view.kind, view.integer) = (raw::STILLAIR_FLAG, (*flag).into()),
        FactValue::Number(number) => (view.kind, view.number) = (raw::STILLAIR_NUMBER, *number),
        FactValue::Text(words) => (view.kind, view.text) = (raw::STILLAIR_TEXT, text(words)),
    }
    view.origin = match fact.origin {
        FactOrigin::CommandLine => 0,
        FactOrigin::Session => 1,
        FactOrigin::Header => 2,
    };
    view
}
