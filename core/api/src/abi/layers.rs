//! Layers of motions on the plugin's side: copied once at the start of a run, found again for every frame.

use std::collections::HashMap;
use std::sync::Arc;

use super::prefix::{read, slice};
use super::{raw, take};
use crate::{GlobalRow, LocalLayer, Outcome, Placement, SpinLayer, Value};

/// Layers that came with the bound motions, by the address of their samples, which stays while the run lasts.
#[derive(Default)]
pub(super) struct Layers {
    local: HashMap<usize, Arc<LocalLayer>>,
    spin: HashMap<usize, Arc<SpinLayer>>,
}

impl Layers {
    /// Keeps the layers of a motion that was copied from this view a moment ago.
    ///
    /// # Errors
    /// If a layer of the view is broken.
    pub fn remember(&mut self, view: &raw::MotionView, value: &Value) -> Outcome<()> {
        let Value::Motion(motion) = value else { return Ok(()) };
        if let Some(layer) = &motion.local {
            // SAFETY: the layer was copied from this view a moment ago.
            let view = unsafe { read(view.local, "a local layer")? };
            self.local.insert(view.shift_px as usize, layer.clone());
        }
        if let Some(layer) = &motion.spin {
            // SAFETY: as above.
            let view = unsafe { read(view.spin, "a spin layer")? };
            self.spin.insert(view.turn_rad as usize, layer.clone());
        }
        Ok(())
    }

    /// The placement of a view. Layers that came with a bound motion are found again, others copied.
    ///
    /// # Safety
    /// The view's pointers hold what it says.
    pub unsafe fn placement(&self, view: *const raw::PlacementView) -> Outcome<Option<Placement>> {
        if view.is_null() {
            return Ok(None);
        }
        // SAFETY: as this function's.
        unsafe {
            let view = read(view, "a placement")?;
            let [rx, ry, gx, gy, bx, by] = view.channel_px;
            let mut placement = Placement {
                index: view.index,
                global: GlobalRow {
                    x_px: view.x_px,
                    y_px: view.y_px,
                    rotation_rad: view.rotation_rad,
                    scale: view.scale,
                },
                channel_px: [[rx, ry], [gx, gy], [bx, by]],
                local: Vec::new(),
                spin: None,
            };
            for pointer in slice(view.local, view.local_count, "local layers")? {
                let layer = read(*pointer, "a local layer")?;
                let known = self.local.get(&(layer.shift_px as usize)).filter(|l| l.shift_px.len() == layer.count);
                placement.local.push(match known {
                    Some(known) => known.clone(),
                    None => Arc::new(take::local(*pointer)?),
                });
            }
            if !view.spin.is_null() {
                let layer = read(view.spin, "a spin layer")?;
                let known = self.spin.get(&(layer.turn_rad as usize)).filter(|s| s.turn_rad.len() == layer.turn_count);
                placement.spin = Some(match known {
                    Some(known) => known.clone(),
                    None => Arc::new(take::spin(view.spin)?),
                });
            }
            Ok(Some(placement))
        }
    }
}
