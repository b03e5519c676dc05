//! A file a command: typed arguments in, validated settings out.
