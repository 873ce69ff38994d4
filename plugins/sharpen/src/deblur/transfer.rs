//! The transfer of a stack of short exposures: a coherent core and a halo.
//!
//! `M = MTF0 (c e^{-j nu^2} + (1 - c) e^{-h nu^(5/3)})`, `nu` the frequency over the cut-off.
//! The core's share is `c = e^{-s}`, `s` being about the variance of the wavefront in rad^2 after
//! tilt (0.134 (D / r0)^(5/3), Noll 1976); between wavelengths `s` goes as `lambda^(-7/4)`, a
//! little slower than the `lambda^-2` of a single wavefront because frames are weighted. The
//! halo's strength follows from `s` with a scatter of a tenth: `h = (10 + 12 s) e^{f}`, measured
//! on simulated stacks of Kolmogorov seeing with D / r0 of 1.5 to 4.5. `j` is what alignment
//! leaves of image motion.

/// Wavelength at which [`Seeing::wavefront`] is given, nm.
pub const REFERENCE_NM: f64 = 530.0;

/// Usual [`Seeing::motion`] over [`Seeing::wavefront`], and its scatter, as simulated stacks left it. Both grow as
/// `(D / r0)^(5/3)`: the variance of a tilt is 0.17 of that per axis (Noll 1976), of which alignment leaves a sixth.
pub const MOTION_SHARE: (f64, f64) = (0.2, 0.04);

/// Radius, in lambda/D, from which on alignment leaves that share. Simulated stacks of globes of 18 to 24 lambda/D in radius
/// kept 0.15 to 0.2 of the wavefront's variance, of globes of 8 lambda/D 0.06 to 0.08.
pub const USUAL_RADIUS: f64 = 13.0;

/// Least part of that share: what frames of a tiny disc leave hangs on their noise and blur. On three simulated globes of 4
/// to 5 lambda/D in radius it gains 0.8 dB in the mean over a fall to nothing, and their limbs are half as wrong.
const LEAST: f64 = 0.65;

/// Radius, in lambda/D, from which on less is left again, and the power of the fall. On four simulated globes of 42 lambda/D
/// in radius it gains 0.4 dB in the mean, on three of 24 lambda/D 0.2 dB. Measured, not derived.
const LARGE: (f64, f64) = (20.0, 0.35);

/// Usual [`Seeing::motion`] on a target of a radius in lambda/D. Alignment takes off the image motion that the whole
/// target shares; what is left is how much it differs over the target, less on a small one. The fall is slower than was
/// measured: with less motion the inside of a small disc's limb comes out too dark.
pub fn usual_motion(wavefront: f64, radius_resolutions: f64) -> f64 {
    let of_usual = (radius_resolutions / USUAL_RADIUS).clamp(LEAST, 1.0);
    MOTION_SHARE.0 * wavefront * of_usual * of_large(radius_resolutions)
}

/// What is left on a target of that radius of the motion on one of [`LARGE`].
fn of_large(radius_resolutions: f64) -> f64 {
    libm::pow((LARGE.0 / radius_resolutions).clamp(0.1, 1.0), LARGE.1)
}

/// Motion that a stack keeps over the cube of the local shifts on a globe, the radius in lambda/D from which on it is so
/// much, and the power with which it falls towards smaller ones. Found on twelve simulated clips of globes of 7 to 42
/// lambda/D in radius and D / r0 of 1.2 to 3.8: best motion over the cube 11 to 23, of globes of 23 lambda/D 16 to 23, while
/// over the square it rose from 1.8 in good seeing to 4.1 in bad. More than the square itself: the patches of align.bends
/// are 16 lambda/D wide and even out what bends within them, and what strong seeing takes from the core beyond
/// [`CoreHalo`] counts as motion too. Measured, not derived.
const OF_FIELD: (f64, f64, f64) = (20.0, 20.0, 0.34);

/// So many times as much where rings lengthen the target: it bends over more than its patches along the globe tell. Found
/// on four simulated clips (1.7 to 2.3).
const RINGED: f64 = 2.0;

/// Motion left on a target of a radius in lambda/D where the local shifts were measured: `field` is their rms along an
/// axis over the frames of the stack, lambda/D; `ringed` tells whether the target is longer than a globe.
pub fn motion_of_field(field: f64, radius_resolutions: f64, ringed: bool) -> f64 {
    let (share, radius, power) = OF_FIELD;
    let of_small = libm::pow((radius_resolutions / radius).min(1.0), power);
    let of_target = share * of_small * of_large(radius_resolutions);
    of_target * field * field * field * if ringed { RINGED } else { 1.0 }
}

/// Share of motion that local shifts leave on small discs and on ringed targets, and on large discs; radii in lambda/D up to
/// which and from which on. On five simulated clips of small and ringed globes the best was 0.93, on three of 23 lambda/D
/// and more 0.5 to 0.7: patches of a small disc take off little that the whole does not share.
const AFTER_PARTS: ((f64, f64), (f64, f64)) = ((0.93, 9.0), (0.58, 23.0));

/// Share of the motion that local shifts leave on a target of a radius in lambda/D.
pub fn after_parts(radius_resolutions: f64, ringed: bool) -> f64 {
    let ((most, small), (least, large)) = AFTER_PARTS;
    let at = if ringed { 0.0 } else { ((radius_resolutions - small) / (large - small)).clamp(0.0, 1.0) };
    most + at * (least - most)
}

/// State of the air and of the alignment, common to all colours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seeing {
    /// `s` at [`REFERENCE_NM`], rad^2.
    pub wavefront: f64,
    /// `f`: logarithm of the halo's strength over its usual one.
    pub halo_excess: f64,
    /// Variance per axis of what alignment and distortion left of image motion, `(lambda/D)^2` at
    /// [`REFERENCE_NM`].
    pub motion: f64,
}

/// Core and halo at one wavelength.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoreHalo {
    /// Share of the core.
    pub core: f64,
    /// Strength of the halo.
    pub halo: f64,
    /// Jitter of the core.
    pub jitter: f64,
}

impl Seeing {
    /// Core and halo at a wavelength.
    pub fn at(&self, wavelength_nm: f64) -> CoreHalo {
        let shorter = REFERENCE_NM / wavelength_nm;
        let s = self.wavefront * libm::pow(shorter, 1.75);
        let two_pi2 = 2.0 * std::f64::consts::PI * std::f64::consts::PI;
        CoreHalo {
            core: libm::exp(-s),
            halo: (10.0 + 12.0 * s) * libm::exp(self.halo_excess),
            jitter: two_pi2 * self.motion * shorter * shorter,
        }
    }
}

impl CoreHalo {
    /// Transfer over that of the telescope alone at `nu`.
    pub fn at(&self, nu: f64) -> f64 {
        self.at_powers(&powers(nu))
    }

    /// [`CoreHalo::at`] with [`powers`] of `nu`.
    pub fn at_powers(&self, powers: &(f64, f64)) -> f64 {
        self.core * libm::exp(-self.jitter * powers.0) + (1.0 - self.core) * libm::exp(-self.halo * powers.1)
    }

    /// [`CoreHalo::at`] at `steps + 1` equal steps of `nu` from 0 to 1.
    pub fn table(&self, steps: usize) -> Vec<f32> {
        (0..=steps).map(|i| self.at(i as f64 / steps as f64) as f32).collect()
    }
}

/// `nu^2` and `nu^(5/3)`.
pub fn powers(nu: f64) -> (f64, f64) {
    (nu * nu, libm::pow(nu, 5.0 / 3.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Noll 1976: 0.134 (D / r0)^(5/3) after tilt is 0.84 rad^2 at D / r0 = 3. A simulated mean of
    // 400 tilt-free frames there (Kolmogorov screens, 30 % obstruction, own numpy run) fits
    // core 0.32 to 0.43 and halo 16 to 20.5.
    #[test]
    fn the_family_meets_simulated_stacks() {
        let seeing = Seeing { wavefront: 0.84, halo_excess: 0.0, motion: 0.0 };
        let stack = seeing.at(REFERENCE_NM);
        assert!((0.32..=0.44).contains(&stack.core), "{}", stack.core);
        assert!((16.0..=20.6).contains(&stack.halo), "{}", stack.halo);
        assert!((stack.at(0.0) - 1.0).abs() < 1e-12);
        let red = seeing.at(610.0);
        assert!(red.core > stack.core && red.halo < stack.halo);
    }
}
