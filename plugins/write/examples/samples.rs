//! Writes one file of each kind into a folder, for other programs to read: `cargo run --example samples -- FOLDER`.

#[path = "../tests/common/mod.rs"]
mod common;

use std::path::PathBuf;

use common::{clip, picture, text, write_bound, write_clip, write_image};
use stillair_api::{Bound, Layout, ParameterValue, Pattern};

fn main() -> std::io::Result<()> {
    let folder = PathBuf::from(std::env::args().nth(1).unwrap_or_else(|| "target/samples".into()));
    std::fs::create_dir_all(&folder)?;
    for channels in [1, 3] {
        let image = picture(130, 70, channels);
        let save = |name: &str, method: &str, parameters: &[(&str, ParameterValue)]| {
            std::fs::write(folder.join(format!("{channels}-{name}")), write_image(method, parameters, &image))
        };
        save("srgb.png", "write.png", &[])?;
        save("linear.png", "write.png", &[("transfer", text("linear"))])?;
        save("float.tif", "write.tiff", &[])?;
        save("whole.tif", "write.tiff", &[("samples", text("uint16"))])?;
        save("float.fits", "write.fits", &[])?;
        save("picture.jpg", "write.jpeg", &[("quality", ParameterValue::Integer(100))])?;
    }
    let long = Bound { provenance: "it's a long line, ".repeat(99), ..Bound::default() };
    std::fs::write(folder.join("long.fits"), write_bound("write.fits", &[], long, &picture(5, 4, 1)))?;
    for (name, layout, bits) in [
        ("mono8.ser", Layout::Mono, "8"),
        ("mosaic16.ser", Layout::Mosaic(Pattern::Grbg), "16"),
        ("rgb8.ser", Layout::Rgb, "8"),
    ] {
        std::fs::write(folder.join(name), write_clip(layout, &[("bits", text(bits))], &clip(layout, 3), &[]))?;
    }
    Ok(())
}
