//! Views to values: everything is checked and copied.

use std::sync::Arc;

use super::prefix::{read, slice, text};
use super::raw;
use crate::{
    ClipInfo, Column, ColumnSpec, Disc, Entry, Fact, FactOrigin, FactValue, Fault, Frame, GlobalRow, Image, ImageInfo,
    Layout, LocalLayer, Motion, Outcome, ParameterValue, Pattern, Record, Region, Samples, Series, SpinLayer, Table,
    TimesOrigin, Value,
};

/// The layout of that number.
///
/// # Errors
/// If there is none.
pub fn layout(number: u32) -> Outcome<Layout> {
    Ok(match number {
        raw::STILLAIR_MONO => Layout::Mono,
        raw::STILLAIR_RGB => Layout::Rgb,
        raw::STILLAIR_RGGB => Layout::Mosaic(Pattern::Rggb),
        raw::STILLAIR_GRBG => Layout::Mosaic(Pattern::Grbg),
        raw::STILLAIR_GBRG => Layout::Mosaic(Pattern::Gbrg),
        raw::STILLAIR_BGGR => Layout::Mosaic(Pattern::Bggr),
        other => return Err(Fault::internal(format!("there is no layout {other}"))),
    })
}

fn known(number: f64) -> Option<f64> {
    (!number.is_nan()).then_some(number)
}

/// # Safety
/// As [`slice`].
unsafe fn texts(pointer: *const raw::Text, count: usize, what: &str) -> Outcome<Vec<String>> {
    // SAFETY: as this function's.
    unsafe { slice(pointer, count, what)?.iter().map(|t| text(*t, what).map(Into::into)).collect() }
}

/// Samples of planes with strides, packed.
///
/// # Safety
/// A pointer that is not null points to all samples that the strides reach.
unsafe fn planes(
    data: *const f32,
    (width, height, planes): (usize, usize, usize),
    (row_stride, plane_stride): (usize, usize),
    out: &mut Samples,
    what: &str,
) -> Outcome<()> {
    let count = width.checked_mul(height).and_then(|a| a.checked_mul(planes)).filter(|n| *n < isize::MAX as usize / 4);
    let count = count.ok_or_else(|| Fault::internal(format!("{what}: {width}x{height}x{planes} is too large")))?;
    out.resize(count, 0.0);
    if count == 0 {
        return Ok(());
    }
    if row_stride == width && (planes == 1 || plane_stride == width * height) {
        // SAFETY: as this function's.
        out.copy_from_slice(unsafe { slice(data, count, what)? });
        return Ok(());
    }
    let last = (planes - 1).checked_mul(plane_stride).zip((height - 1).checked_mul(row_stride));
    let reach = last.and_then(|(p, r)| p.checked_add(r)).and_then(|n| n.checked_add(width));
    let reach = reach.ok_or_else(|| Fault::internal(format!("{what}: the strides are too large")))?;
    // SAFETY: as this function's; `reach` is the end of the last row.
    let from = unsafe { slice(data, reach, what)? };
    for (number, row) in out.chunks_exact_mut(width).enumerate() {
        let start = number / height * plane_stride + number % height * row_stride;
        row.copy_from_slice(&from[start..start + width]);
    }
    Ok(())
}

/// Copies a frame.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn frame(view: &raw::FrameView, out: &mut Frame) -> Outcome<()> {
    let layout = layout(view.layout)?;
    out.index = view.index;
    out.region = Region { x: view.x, y: view.y, width: view.width, height: view.height };
    out.layout = layout;
    let (size, strides) = ((view.width, view.height, layout.planes()), (view.row_stride, view.plane_stride));
    // SAFETY: as this function's.
    unsafe { planes(view.data, size, strides, &mut out.data, "a frame's samples") }
}

/// Copies what is known of a clip, and a reader's bytes per worker.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn clip(view: *const raw::ClipView) -> Outcome<(ClipInfo, u64)> {
    // SAFETY: as this function's.
    unsafe {
        let view = read(view, "the clip")?;
        let names = texts(view.header_names, view.header_count, "a header entry's name")?;
        let values = texts(view.header_values, view.header_count, "a header entry")?;
        let info = ClipInfo {
            frames: view.frames,
            width: view.width,
            height: view.height,
            layout: layout(view.layout)?,
            bits: view.bits,
            white_level: view.white_level,
            time_s: slice(view.time_s, view.frames, "the times of the frames")?.into(),
            start_unix_ns: (view.has_start != 0).then_some(view.start_unix_ns),
            times: match view.times {
                0 => TimesOrigin::Stamps,
                1 => TimesOrigin::Rate,
                _ => TimesOrigin::Absent,
            },
            exposure_s: known(view.exposure_s),
            header: names.into_iter().zip(values).collect(),
            notes: texts(view.notes, view.note_count, "a note")?,
        };
        Ok((info, view.worker_bytes))
    }
}

/// Copies a table.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn table(view: *const raw::TableView) -> Outcome<Table> {
    // SAFETY: as this function's.
    unsafe {
        let view = read(view, "a table")?;
        let mut columns = Vec::new();
        for column in slice(view.columns, view.column_count, "a table's columns")? {
            let column = read(*column, "a column")?;
            let spec = ColumnSpec {
                name: text(column.name, "a column's name")?.into(),
                unit: text(column.unit, "a column's unit")?.into(),
                categories: texts(column.categories, column.category_count, "a category")?,
                help: text(column.help, "a column's help")?.into(),
            };
            columns.push(Column { spec, data: slice(column.data, view.rows, "a column's values")?.into() });
        }
        Table::of_columns(view.rows, columns).ok_or_else(|| Fault::internal("a column is not as long as its table"))
    }
}

/// # Safety
/// As [`slice`], with `N` numbers per element.
unsafe fn groups<const N: usize>(pointer: *const f32, count: usize, what: &str) -> Outcome<Vec<[f32; N]>> {
    if pointer.is_null() {
        return Ok(Vec::new());
    }
    // SAFETY: as this function's; arrays of numbers lie packed.
    unsafe { Ok(slice(pointer.cast::<[f32; N]>(), count, what)?.to_vec()) }
}

/// Copies a local layer.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn local(view: *const raw::LocalView) -> Outcome<LocalLayer> {
    // SAFETY: as this function's.
    unsafe {
        let view = read(view, "a local layer")?;
        let singles = |pointer: *const f32, what: &str| -> Outcome<Vec<f32>> {
            if pointer.is_null() { Ok(Vec::new()) } else { Ok(slice(pointer, view.count, what)?.to_vec()) }
        };
        let shift_px = groups(view.shift_px, view.count, "local shifts")?;
        if shift_px.len() != view.count {
            return Err(Fault::internal("a local layer without shifts"));
        }
        Ok(LocalLayer {
            first_px: [view.first_x_px, view.first_y_px],
            step_px: [view.step_x_px, view.step_y_px],
            nodes: [view.columns, view.rows],
            shift_px,
            covariance_px2: groups(view.covariance_px2, view.count, "local covariances")?,
            grade: singles(view.grade, "local grades")?,
            weight: singles(view.weight, "local weights")?,
        })
    }
}

/// Copies a spin layer.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn spin(view: *const raw::SpinView) -> Outcome<SpinLayer> {
    // SAFETY: as this function's.
    unsafe {
        let view = read(view, "a spin layer")?;
        Ok(SpinLayer {
            centre_px: [view.centre_x_px, view.centre_y_px],
            equatorial_radius_px: view.equatorial_radius_px,
            axis_ratio: view.axis_ratio,
            latitude_rad: view.latitude_rad,
            pole_rad: view.pole_rad,
            turn_rad: slice(view.turn_rad, view.turn_count, "the turns of the globe")?.to_vec(),
            zonal: slice(view.zonal, view.zonal_count, "the turns of the parallels")?.to_vec(),
            profile: slice(view.profile, view.profile_count, "the brightness of the disc")?.to_vec(),
        })
    }
}

/// Copies a motion.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn motion(view: *const raw::MotionView) -> Outcome<Motion> {
    // SAFETY: as this function's.
    unsafe {
        let view = read(view, "a motion")?;
        let mut motion = Motion::default();
        if !view.global.is_null() {
            let rows = slice(view.global.cast::<[f64; 4]>(), view.global_count, "the rows of a motion")?;
            let row = |[x_px, y_px, rotation_rad, scale]: &[f64; 4]| GlobalRow {
                x_px: *x_px,
                y_px: *y_px,
                rotation_rad: *rotation_rad,
                scale: *scale,
            };
            motion.global = Some(rows.iter().map(row).collect());
        }
        if !view.channel_px.is_null() {
            let [rx, ry, gx, gy, bx, by] = slice(view.channel_px.cast::<[f64; 6]>(), 1, "the shifts of colours")?[0];
            motion.channel_px = Some([[rx, ry], [gx, gy], [bx, by]]);
        }
        if !view.local.is_null() {
            motion.local = Some(Arc::new(local(view.local)?));
        }
        if !view.spin.is_null() {
            motion.spin = Some(Arc::new(spin(view.spin)?));
        }
        Ok(motion)
    }
}

/// Reads a globe; none where the text is null.
unsafe fn globe(json: raw::Text) -> Outcome<Option<crate::Globe>> {
    if json.data.is_null() {
        return Ok(None);
    }
    // SAFETY: as the caller's.
    let json = unsafe { text(json, "a globe")? };
    serde_json::from_str(json).map(Some).map_err(|e| Fault::internal(format!("a globe cannot be read: {e}")))
}

/// Copies a picture.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn image(view: *const raw::ImageView) -> Outcome<Image> {
    // SAFETY: as this function's.
    unsafe {
        let view = read(view, "a picture")?;
        if !matches!(view.channels, 1 | 3) {
            return Err(Fault::internal(format!("a picture of {} channels", view.channels)));
        }
        let copy = |pointer: *const f32, what: &str| -> Outcome<Vec<f32>> {
            let (size, strides) = ((view.width, view.height, view.channels), (view.row_stride, view.plane_stride));
            let mut out = Samples::default();
            planes(pointer, size, strides, &mut out, what)?;
            Ok(out.into_vec())
        };
        let halves = match (view.half_a.is_null(), view.half_b.is_null()) {
            (true, true) => None,
            _ => Some([copy(view.half_a, "a half-stack")?, copy(view.half_b, "a half-stack")?]),
        };
        let mut disc = None;
        if !view.disc.is_null() {
            let [x_px, y_px, equatorial_radius_px, polar_radius_px, pole_rad] =
                slice(view.disc.cast::<[f64; 5]>(), 1, "a limb")?[0];
            disc = Some(Disc { x_px, y_px, equatorial_radius_px, polar_radius_px, pole_rad });
        }
        Ok(Image {
            width: view.width,
            height: view.height,
            channels: view.channels,
            data: copy(view.data, "a picture's samples")?,
            weight: if view.weight.is_null() { None } else { Some(copy(view.weight, "a picture's weights")?) },
            halves,
            info: ImageInfo {
                arcsec_per_px: known(view.arcsec_per_px),
                px_per_capture_px: view.px_per_capture_px,
                middle_unix_ns: (view.has_middle != 0).then_some(view.middle_unix_ns),
                begin_unix_ns: (view.has_begin != 0).then_some(view.begin_unix_ns),
                end_unix_ns: (view.has_end != 0).then_some(view.end_unix_ns),
                exposure_total_s: known(view.exposure_total_s),
                frames_used: view.frames_used,
                frames_effective: view.frames_effective,
                reference_px: view.reference_px,
                disc,
                globe: globe(view.globe)?,
                wavelength_nm: slice(view.wavelength_nm, view.wavelength_count, "wavelengths")?.to_vec(),
                filter: if view.filter.data.is_null() {
                    None
                } else {
                    Some(text(view.filter, "a filter's name")?.to_owned())
                },
                from_mosaic: view.from_mosaic != 0,
                mosaic_kept: view.mosaic_kept != 0,
                parts_placed: view.parts_placed != 0,
                history: texts(view.history, view.history_count, "a picture's history")?,
            },
        })
    }
}

/// Copies a fact of a record.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn entry(view: *const raw::EntryView) -> Outcome<Entry> {
    // SAFETY: as this function's.
    unsafe {
        let view = read(view, "an entry of a record")?;
        let name: String = text(view.name, "an entry's name")?.into();
        let unit: String = text(view.unit, "an entry's unit")?.into();
        let words: String = text(view.text, "an entry's text")?.into();
        Ok(match view.kind {
            raw::STILLAIR_ENTRY_NUMBER => Entry::Number { name, value: view.value, unit, help: words },
            raw::STILLAIR_ENTRY_TEXT => Entry::Text { name, value: words },
            raw::STILLAIR_ENTRY_VERDICT => {
                Entry::Verdict { name, value: view.value, unit, threshold: view.threshold, text: words }
            }
            raw::STILLAIR_ENTRY_SERIES => Entry::Series(Series {
                name,
                x_label: text(view.x_label, "a curve's label")?.into(),
                x_unit: text(view.x_unit, "a curve's unit")?.into(),
                y_label: text(view.y_label, "a curve's label")?.into(),
                y_unit: text(view.y_unit, "a curve's unit")?.into(),
                x: slice(view.x, view.count, "a curve")?.to_vec(),
                y: slice(view.y, view.count, "a curve")?.to_vec(),
            }),
            other => return Err(Fault::internal(format!("there is no kind {other} of entry"))),
        })
    }
}

/// Copies the entries of a record.
///
/// # Errors
/// If a view is broken.
///
/// # Safety
/// The views' pointers hold what they say.
pub unsafe fn record(entries: *const *const raw::EntryView, count: usize) -> Outcome<Record> {
    // SAFETY: as this function's.
    let entries = unsafe { slice(entries, count, "a record")?.iter().map(|e| entry(*e)).collect::<Outcome<_>>()? };
    Ok(Record { entries })
}

/// Copies a value that is linked to a port.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn bound(view: &raw::BoundView) -> Outcome<(String, Value)> {
    // SAFETY: as this function's.
    unsafe {
        let value = match view.kind {
            raw::STILLAIR_TABLE => Value::Table(Arc::new(table(view.table)?)),
            raw::STILLAIR_MOTION => Value::Motion(Arc::new(motion(view.motion)?)),
            raw::STILLAIR_IMAGE => Value::Image(Arc::new(image(view.image)?)),
            raw::STILLAIR_RECORD => Value::Record(Arc::new(record(view.entries, view.entry_count)?)),
            other => return Err(Fault::internal(format!("there is no kind {other} of value"))),
        };
        Ok((text(view.port, "a port's name")?.into(), value))
    }
}

/// Copies a parameter.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn parameter(view: &raw::SettingView) -> Outcome<(String, ParameterValue)> {
    // SAFETY: as this function's.
    unsafe {
        let value = match view.kind {
            raw::STILLAIR_FLAG => ParameterValue::Flag(view.integer != 0),
            raw::STILLAIR_INTEGER => ParameterValue::Integer(view.integer),
            raw::STILLAIR_NUMBER => ParameterValue::Number(view.number),
            raw::STILLAIR_TEXT => ParameterValue::Text(text(view.text, "a parameter")?.into()),
            raw::STILLAIR_NUMBERS => {
                ParameterValue::Numbers(slice(view.numbers, view.number_count, "a parameter")?.to_vec())
            }
            other => return Err(Fault::internal(format!("there is no kind {other} of setting"))),
        };
        Ok((text(view.name, "a parameter's name")?.into(), value))
    }
}

/// Copies a fact.
///
/// # Errors
/// If the view is broken.
///
/// # Safety
/// The view's pointers hold what it says.
pub unsafe fn fact(view: &raw::SettingView) -> Outcome<(String, Fact)> {
    // SAFETY: as this function's.
    unsafe {
        let value = match view.kind {
            raw::STILLAIR_FLAG => FactValue::Flag(view.integer != 0),
            raw::STILLAIR_NUMBER => FactValue::Number(view.number),
            raw::STILLAIR_TEXT => FactValue::Text(text(view.text, "a fact")?.into()),
            other => return Err(Fault::internal(format!("there is no kind {other} of fact"))),
        };
        let origin = match view.origin {
            0 => FactOrigin::CommandLine,
            1 => FactOrigin::Session,
            _ => FactOrigin::Header,
        };
        Ok((text(view.name, "a fact's name")?.into(), Fact { value, origin }))
    }
}
