#![no_main]

drawoff_fuzz::target!("ipc_stream");
