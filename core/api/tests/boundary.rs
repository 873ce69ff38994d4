//! The boundary stays where it is: the header is the one that the structs give, no field moves, and a C compiler
//! agrees with both.

use std::fmt::Write as _;
use std::mem::{offset_of, size_of};
use std::path::Path;
use std::process::Command;

use stillair_api::abi::raw::*;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The header as the structs give it. The licence of what includes it is the plugin's own affair.
fn generated() -> String {
    let mut config = cbindgen::Config {
        language: cbindgen::Language::C,
        cpp_compat: true,
        pragma_once: true,
        documentation_style: cbindgen::DocumentationStyle::C99,
        usize_is_size_t: true,
        line_length: 110,
        header: Some(
            "// What a plugin of Stillair in C includes. Generated from core/api/src/abi: do not edit.\n\
             // Every struct but StillairText begins with its size and grows at its end only: set `size` to sizeof,\n\
             // leave what you do not use zero, and read no further than the `size` of what you are given."
                .into(),
        ),
        trailer: Some(
            "#ifdef __cplusplus\nextern \"C\"\n#endif\n#if defined(_WIN32)\n__declspec(dllexport)\n\
             #elif defined(__GNUC__)\n__attribute__((visibility(\"default\")))\n#endif\n\
             /// The one function that a plugin exports: gives its table, or null. The host outlives the plugin.\n\
             const StillairPluginTable *stillair_plugin(const StillairHost *host);"
                .into(),
        ),
        style: cbindgen::Style::Both,
        ..cbindgen::Config::default()
    };
    config.export.prefix = Some("Stillair".into());
    let names = ["PluginTable", "Host", "BoundView", "InputView", "SettingView"];
    config.export.include = names.iter().map(|n| (*n).into()).collect();
    config.export.exclude = vec!["EntryPoint".into()];
    let bindings = cbindgen::Builder::new()
        .with_config(config)
        .with_src(root().join("src/abi/numbers.rs"))
        .with_src(root().join("src/abi/raw.rs"))
        .with_src(root().join("src/abi/tables.rs"));
    let mut text = Vec::new();
    bindings.generate().unwrap().write(&mut text);
    // What a call is, only the host knows. Constants carry the prefix in their own names.
    let open = "typedef struct StillairCall {\n  uint8_t _private[0];\n} StillairCall;";
    let text = String::from_utf8(text).unwrap();
    assert!(text.contains(open));
    text.replace(open, "typedef struct StillairCall StillairCall;").replace("StillairSTILLAIR_", "STILLAIR_")
}

#[test]
fn the_header_is_the_one_that_the_structs_give() {
    let path = root().join("include/stillair.h");
    let made = generated();
    if std::env::var_os("STILLAIR_WRITE").is_some() {
        std::fs::write(&path, &made).unwrap();
    }
    let stands = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(made == stands, "include/stillair.h has drifted: run this test once with STILLAIR_WRITE=1");
}

/// Name, size, and name and offset of every field.
type Layout = (&'static str, usize, Vec<(&'static str, usize)>);

macro_rules! layout {
    ($type:ident { $($field:ident),* $(,)? }) => {{
        // Names every field: a new one does not compile until it stands here.
        #[allow(dead_code)]
        fn all_fields(value: $type) {
            let $type { $($field: _),* } = value;
        }
        (stringify!($type), size_of::<$type>(), vec![$((stringify!($field), offset_of!($type, $field))),*])
    }};
}

fn layouts() -> Vec<Layout> {
    vec![
        layout!(Text { data, length }),
        layout!(FrameView { size, index, x, y, width, height, layout, planes, row_stride, plane_stride, data }),
        layout!(BufferView { size, data, length, capacity, release }),
        layout!(ClipView {
            size,
            frames,
            width,
            height,
            layout,
            bits,
            white_level,
            time_s,
            start_unix_ns,
            has_start,
            times,
            exposure_s,
            header_names,
            header_values,
            header_count,
            notes,
            note_count,
            worker_bytes
        }),
        layout!(ColumnView { size, name, unit, help, categories, category_count, data }),
        layout!(TableView { size, rows, columns, column_count }),
        layout!(LocalView {
            size,
            first_x_px,
            first_y_px,
            step_x_px,
            step_y_px,
            columns,
            rows,
            count,
            shift_px,
            covariance_px2,
            grade,
            weight
        }),
        layout!(SpinView {
            size,
            centre_x_px,
            centre_y_px,
            equatorial_radius_px,
            axis_ratio,
            latitude_rad,
            pole_rad,
            turn_rad,
            turn_count,
            profile,
            profile_count,
            zonal,
            zonal_count
        }),
        layout!(MotionView { size, global, global_count, channel_px, local, spin }),
        layout!(PlacementView { size, index, x_px, y_px, rotation_rad, scale, channel_px, local, local_count, spin }),
        layout!(ImageView {
            size,
            width,
            height,
            channels,
            row_stride,
            plane_stride,
            data,
            weight,
            half_a,
            half_b,
            arcsec_per_px,
            px_per_capture_px,
            middle_unix_ns,
            has_middle,
            from_mosaic,
            exposure_total_s,
            frames_used,
            frames_effective,
            reference_px,
            disc,
            wavelength_nm,
            wavelength_count,
            history,
            history_count,
            globe,
            begin_unix_ns,
            end_unix_ns,
            has_begin,
            has_end,
            filter,
            mosaic_kept,
            parts_placed
        }),
        layout!(EntryView {
            size,
            kind,
            reserved,
            name,
            unit,
            text,
            value,
            threshold,
            x_label,
            x_unit,
            y_label,
            y_unit,
            x,
            y,
            count
        }),
        layout!(SettingView { size, kind, origin, name, integer, number, text, numbers, number_count }),
        layout!(BoundView { size, port, kind, reserved, table, motion, image, entries, entry_count }),
        layout!(InputView { size, frame, placement, has_row, reserved }),
        layout!(StreamView { size, frames, width, height, planes }),
        layout!(MemoryView { size, worker, item, state }),
        layout!(Host {
            size,
            abi,
            revision,
            fault,
            cancelled,
            parallel,
            record,
            warn,
            put_text,
            parameter_at,
            parameter_number,
            parameter_text,
            fact_at,
            fact_number,
            path,
            clip,
            bound,
            provenance,
            put_clip,
            row_number,
            buffer,
            put_row,
            put_place,
            put_table,
            put_motion,
            put_image,
            put_record,
            write,
            seek,
            extension,
            reserve,
            take_samples,
            give_samples
        }),
        layout!(MethodTable {
            size,
            threading,
            reserved,
            data,
            describe,
            create,
            destroy,
            start,
            stop,
            worker,
            drop_worker,
            window,
            frame,
            drop_item,
            begin,
            add,
            finish,
            file_stem,
            memory
        }),
        layout!(PluginTable { size, abi, revision, id, version, methods, method_count, extension }),
    ]
}

/// Sizes and offsets as they were when each struct was last appended to. A line may grow at its end; nothing in it may
/// change, or plugins that are built break.
#[cfg(target_pointer_width = "64")]
#[test]
fn no_field_ever_moves() {
    let mut text = String::new();
    for (name, size, fields) in layouts() {
        let _ = write!(text, "{name} {size}:");
        for (field, offset) in fields {
            let _ = write!(text, " {field}={offset}");
        }
        text.push('\n');
    }
    let path = root().join("tests/data/layout-64.txt");
    if std::env::var_os("STILLAIR_WRITE").is_some() {
        std::fs::write(&path, &text).unwrap();
    }
    let pinned = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(text == pinned, "the layout is now\n{text}");
}

#[test]
fn every_struct_but_a_text_begins_with_its_size() {
    for (name, _, fields) in layouts() {
        assert!(fields[0] == ("size", 0) || name == "Text", "{name}");
    }
}

/// The C compiler is the outside witness: it must give the same sizes and offsets from the header.
#[test]
fn a_c_compiler_lays_the_structs_out_alike() {
    let mut text = String::from("#include <stddef.h>\n#include \"stillair.h\"\n");
    for (name, size, fields) in layouts() {
        let _ = writeln!(text, "_Static_assert(sizeof(Stillair{name}) == {size}, \"{name}\");");
        for (field, offset) in fields {
            let place = format!("offsetof(Stillair{name}, {field})");
            let _ = writeln!(text, "_Static_assert({place} == {offset}, \"{name}.{field}\");");
        }
    }
    let source = Path::new(env!("CARGO_TARGET_TMPDIR")).join("layout.c");
    std::fs::write(&source, text).unwrap();
    let include = root().join("include");
    let done = Command::new("cc")
        .args(["-std=c11", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", "-I"])
        .arg(include)
        .arg(&source)
        .output()
        .expect("a C compiler `cc` is needed for this test");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}
