/* Rendered from states.toml by firmware_templates/build.py: change that, not this. */
#include "qj_states.h"

const uint8_t qj_transitions[2 * QJ_TRANSITIONS] QJ_TABLE = {
    0x00, 0x10, /* boot, ready -> settle, none */
    0x05, 0x45, /* boot, hold -> hold, stop */
    0x11, 0x11, /* settle, still -> settle, settle */
    0x12, 0x32, /* settle, next -> scene, begin */
    0x13, 0x23, /* settle, over -> idle, idle */
    0x15, 0x45, /* settle, hold -> hold, stop */
    0x22, 0x32, /* idle, next -> scene, begin */
    0x23, 0x23, /* idle, over -> idle, idle */
    0x2a, 0x28, /* idle, quiet -> idle, release */
    0x25, 0x45, /* idle, hold -> hold, stop */
    0x32, 0x32, /* scene, next -> scene, begin */
    0x33, 0x23, /* scene, over -> idle, idle */
    0x34, 0x34, /* scene, again -> scene, repeat */
    0x36, 0x11, /* scene, silent -> settle, settle */
    0x35, 0x45, /* scene, hold -> hold, stop */
    0x47, 0x46, /* hold, stopped -> hold, park */
    0x48, 0x47, /* hold, parked -> hold, drop */
    0x4a, 0x48, /* hold, quiet -> hold, release */
    0x49, 0x10, /* hold, resume -> settle, none */
    0x4b, 0x49, /* hold, rail_lost -> hold, cut */
    0x4c, 0x40, /* hold, rail_back -> hold, none */
    0x0b, 0x09, /* boot, rail_lost -> boot, cut */
    0x1b, 0x09, /* settle, rail_lost -> boot, cut */
    0x2b, 0x09, /* idle, rail_lost -> boot, cut */
    0x3b, 0x09, /* scene, rail_lost -> boot, cut */
    0x0c, 0x0a, /* boot, rail_back -> boot, wait */
    0x0d, 0x5b, /* boot, fail -> fault, dead */
    0x1d, 0x5b, /* settle, fail -> fault, dead */
    0x2d, 0x5b, /* idle, fail -> fault, dead */
    0x3d, 0x5b, /* scene, fail -> fault, dead */
    0x4d, 0x5b, /* hold, fail -> fault, dead */
};
