//! What is known of a picture crosses the boundary whole, and what an older side does not know of is absent. Right is
//! what was sent, by definition; no outside reference applies.

#![allow(unsafe_code, reason = "views of the boundary are raw pointers")]

use std::mem::offset_of;

use stillair_api::abi::lend::Lender;
use stillair_api::abi::raw::ImageView;
use stillair_api::abi::take;
use stillair_api::{Image, ImageInfo};

fn sent() -> Image {
    let mut image = Image::new(3, 2, 3);
    image.data.iter_mut().enumerate().for_each(|(i, v)| *v = i as f32);
    image.weight = Some(vec![0.5; 18]);
    image.halves = Some([vec![1.0; 18], vec![2.0; 18]]);
    image.info = ImageInfo {
        arcsec_per_px: Some(0.25),
        px_per_capture_px: 1.5,
        middle_unix_ns: Some(-7),
        begin_unix_ns: Some(-8),
        end_unix_ns: Some(9),
        exposure_total_s: Some(3.0),
        frames_used: 4,
        frames_effective: 3.5,
        reference_px: [1.0, 0.5],
        disc: None,
        globe: None,
        wavelength_nm: vec![620.0, 530.0, 460.0],
        filter: Some("red".into()),
        from_mosaic: true,
        mosaic_kept: true,
        parts_placed: true,
        history: vec!["stacked".into(), String::new()],
    };
    image
}

#[test]
fn a_picture_crosses_whole() {
    let image = sent();
    for (mosaic_kept, parts_placed) in [(true, false), (false, true), (true, true)] {
        let info = ImageInfo { mosaic_kept, parts_placed, ..image.info.clone() };
        let image = Image { info, ..image.clone() };
        let mut lender = Lender::default();
        // SAFETY: the view is lent by this picture, which lives on.
        let crossed = unsafe { take::image(lender.image(&image)) }.unwrap();
        assert_eq!(crossed, image);
    }
}

#[test]
fn a_picture_of_an_older_revision_lacks_what_came_later() {
    let image = sent();
    for (size, filter) in [(offset_of!(ImageView, globe), None), (offset_of!(ImageView, mosaic_kept), Some("red"))] {
        let mut lender = Lender::default();
        // SAFETY: a view of this picture; cut short, it still holds what its size says.
        let crossed = unsafe {
            let view = ImageView { size, ..*lender.image(&image) };
            take::image(&raw const view)
        };
        let info = crossed.unwrap().info;
        assert!(info.from_mosaic && !info.mosaic_kept && !info.parts_placed);
        assert_eq!(info.filter.as_deref(), filter);
        assert_eq!(info.history, image.info.history);
    }
}
