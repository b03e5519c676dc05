//! One binary for all integration tests, a module a concern.

mod archive_bags;
mod at_the_bench;
mod balanced_apart;
mod bench;
mod cli_check;
mod drawer;
mod fixtures_listed;
mod fuzz_corpus;
mod hostile_bounds;
mod hostile_folders;
mod hostile_photographs;
mod hostile_slides;
mod objectives;
mod odd_files;
mod optics_published;
mod orientation_rendered;
mod report_contract;
mod shapes_reference;
mod strange_sensors;
mod thickness_grains;
mod thickness_lookalikes;
mod thickness_map;
mod turned_frames;
mod wall_chart;
mod whole_sections;
mod wrong_records;
