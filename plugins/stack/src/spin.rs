//! The spin layer on the canvas: where each pixel's surface stood on the globe when the frame was taken.
//!
//! The disc's pixels move as the oblate globe turns ([`stillair_maths::globe`]); rings, moons and the sky stay. A surface
//! that nears the limb in the frame counts less and one beyond it hardly at all, so that the picture has no seam there; what
//! the limb's darkening took from it is given back by the layer's profile.

use stillair_api::{Fault, Outcome, Placement, SpinLayer};
use stillair_maths::globe::{Globe, Turn, limb_gain};

use crate::resample::Canvas;

/// Adds the layer's shifts for a placement's frame, turned and scaled as the frame is, to `displacement`, multiplies
/// `weight` by its weights, and sets `gain` to the factors for the samples.
///
/// # Errors
/// If the layer holds nothing for the frame, or is no globe.
pub fn spread(
    layer: &SpinLayer,
    placement: &Placement,
    canvas: &Canvas,
    displacement: &mut [Vec<f32>; 2],
    weight: &mut [f32],
    gain: &mut Vec<f32>,
) -> Outcome<()> {
    let index = placement.index;
    let Some(turn_rad) = layer.turn_rad.get(index) else {
        return Err(Fault::internal(format!("the spin layer holds nothing for frame {index}")));
    };
    let stands = turn_rad.is_finite() && layer.equatorial_radius_px > 0.0 && layer.axis_ratio > 0.0;
    if !stands {
        return Err(Fault::data(format!("how far the globe had turned in frame {index} is unknown"))
            .remedy("give frames without a time the weight 0"));
    }
    gain.clear();
    gain.resize(canvas.area(), 1.0);
    let centre = [canvas.centre[0] + layer.centre_px[0], canvas.centre[1] + layer.centre_px[1]];
    let radius = layer.equatorial_radius_px;
    let globe = Globe::new(centre, radius, layer.axis_ratio, layer.latitude_rad, layer.pole_rad);
    let turn = Turn::new(*turn_rad, &layer.zonal);
    let (sin, cos) = libm::sincos(placement.global.rotation_rad);
    let (sin, cos) = (placement.global.scale * sin, placement.global.scale * cos);
    let bound = |centre: f64, n: usize| {
        let low = (centre - radius).floor().clamp(0.0, n as f64) as usize;
        (low, ((centre + radius).ceil() + 1.0).clamp(low as f64, n as f64) as usize)
    };
    let ((left, right), (top, bottom)) = (bound(centre[0], canvas.width), bound(centre[1], canvas.height));
    for y in top..bottom {
        for x in left..right {
            let carried = globe.carried(x as f64, y as f64, &turn);
            let at = y * canvas.width + x;
            let [u, v] = carried.shift_px;
            displacement[0][at] += (cos * u - sin * v) as f32;
            displacement[1][at] += (sin * u + cos * v) as f32;
            weight[at] *= carried.weight as f32;
            gain[at] = limb_gain(&layer.profile, carried.limb_distances);
        }
    }
    Ok(())
}
