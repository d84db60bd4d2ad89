"use strict";
class PlayerCore { static async starter() { throw new Error("not here"); } }
