//! How much memory a run may take.

use stillair_engine::run::Budget;

use crate::arguments::Global;

/// What a run keeps to where nothing else is said and the clip's frames allow.
const USUAL_BYTES: u64 = 256_000_000;

/// The budget of the command line; without one the usual, which may grow to half of the machine's memory for clips
/// whose frames need it.
pub fn budget(global: &Global) -> Budget {
    let half = || (machine_bytes() / 2).max(USUAL_BYTES);
    match global.memory_budget {
        Some(bytes) => Budget { bytes, ceiling_bytes: bytes },
        None => Budget { bytes: USUAL_BYTES, ceiling_bytes: half() },
    }
}

/// Memory of the machine, or of the control group that the command is confined to.
fn machine_bytes() -> u64 {
    let mut system = sysinfo::System::new();
    system.refresh_memory();
    let confined = system.cgroup_limits().map(|limits| limits.total_memory);
    confined.unwrap_or(u64::MAX).min(system.total_memory())
}
