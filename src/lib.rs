//! thinproof says whether a petrographic thin section is done.
//!
//! From photographs of a finished section in plane light and between crossed polars it measures thickness and wedge by the
//! interference colour of quartz, finds bubbles, plucked grains and scratches, and gives a verdict: pass, regrind (how much,
//! at which corner), recover, remake, or undetermined (what to photograph next).
//!
//! # Map
//!
//! [`pipeline::check`] is the whole story, a stage a line. Data flows down this list and never up:
//!
//! | room | what is in it |
//! | --- | --- |
//! | [`slide`] | what comes in: the folder, `slide.toml`, file names, EXIF, photographs in linear light with their mask |
//! | [`register`] | the photographs of one field onto one grid |
//! | [`optics`] | spectra and observers, quartz, interference colour forward and back |
//! | [`section`] | what is on the glass: crystals and which are quartz, bubbles, plucked grains, scratches |
//! | [`windows`] | a field too large to be held, looked at window by window by the rooms above |
//! | [`thickness`] | how cuts of quartz are oriented, the fit over the section, its uncertainty |
//! | [`verdict`] | limits, conformance, the regrind plan: pure functions |
//! | [`chart`] | the interference colours of a lamp as a scale, and the wall chart |
//! | [`report`] | one finished value to JSON, a page and lines for the bench |
//! | [`bench`](mod@bench) | a folder that photographs arrive in, checked anew with each, and its page |
//! | [`ruling`] | a stage micrometer: its lines, their distance, µm per pixel |
//! | [`frosting`] | a slide before it is bonded: frosted all over, or glossy where |
//! | [`house`] | what holds for every slide of a laboratory: limits, scales of its objectives |
//! | [`drawer`] | many slides in one go, and one table of them |
//! | [`archive`] | what a collection keeps: photographs and report in one bag |
//! | [`cli`] | a file a command |
//!
//! [`bounds`] are what a slide may take. [`units`] and [`measured`] are for everyone: numbers that name their unit, and numbers that know how sure they are.
//! [`demo`] renders slides with known truth, for the demo, the tests and the studies; nothing above reads that truth.
//!
//! What is computed, with its sources, is in `docs/method.md`; how to work on it in `DEVELOPERS.md`.
//!
#![doc = include_str!("../docs/conventions.md")]

pub mod archive;
pub mod bench;
pub mod bounds;
pub mod chart;
pub mod cli;
pub mod demo;
mod draft;
pub mod drawer;
pub mod error;
pub mod frosting;
pub mod grinder;
pub mod house;
pub mod measured;
pub mod optics;
pub mod pipeline;
pub mod register;
pub mod report;
pub mod ruling;
pub mod section;
pub mod slide;
pub mod thickness;
pub mod timings;
pub mod units;
mod vectors;
pub mod verdict;
pub mod windows;

pub use error::{Error, Result};
