//! What a plugin sees.
//!
//! One stream and a few values flow between methods: [`Frame`]s of a clip, and [`Table`], [`Motion`],
//! [`Image`] and [`Record`]. A method is described as plain data ([`Description`]) and makes a [`Node`] of
//! one of six shapes; its author writes the inside of a loop, never the loop. The engine does the reading,
//! the order, the threads, the memory and the record.
//!
//! Conventions, defined here once: pixel centres lie at integers, x to the right, y down, sub-pixel
//! positions are `f64`; sample values are linear `f32` in units of the capture's white level (0 = zero
//! digital number, 1 = white level); angles are degrees in parameters and facts, radians inside; rotation is
//! positive clockwise on the screen (from +x towards +y); times are UTC instants in nanoseconds since 1970,
//! or seconds from the first frame; wavelengths are in nm.

#![warn(missing_docs)]

pub mod abi;
mod context;
pub mod contract;
mod describe;
mod facts;
mod fault;
mod frame;
mod image;
pub mod light;
mod motion;
mod node;
mod parameters;
mod plugin;
mod record;
mod samples;
mod table;
pub mod testing;

pub use context::{Context, gather};
pub use describe::{Description, Need, Parameter, ParameterKind, Port, PortType, Shape};
pub use facts::{Fact, FactOrigin, FactValue, Facts};
pub use fault::{Fault, FaultKind, Outcome};
pub use frame::{ClipInfo, Frame, Layout, Pattern, Region, TimesOrigin};
pub use image::{Disc, Globe, Image, ImageInfo};
pub use motion::{GlobalRow, LocalLayer, Motion, Placement, SpinLayer};
pub use node::{
    Bound, Finish, FrameInput, FrameReader, Item, Map, MapRun, Measure, MeasureRow, MeasureRun, Memory, Method, Node,
    OutputFile, Reduce, ReduceRun, Scratch, Sink, SinkRun, Source, StreamShape, Transform, Value, scratch_of,
};
pub use parameters::{ParameterValue, Parameters};
pub use plugin::Plugin;
pub use record::{Entry, Record, Series};
pub use samples::Samples;
pub use table::{Column, ColumnData, ColumnSpec, Row, Table, columns};
