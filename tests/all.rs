//! One binary for all integration tests, a module a concern.

mod optics_published;
mod thickness_grains;
