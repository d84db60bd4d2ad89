"""How each reading is taken, as small drawings for a terminal."""

WEIGHT = r"""
      ____________
     |    PART    |        kitchen scale, 1 g
     |____________|
   ====================
   |     1 4 0 0 g    |
"""

BALANCE = r"""
        _________
       /         \         Lay the part on an edge (a ruler on its side)
      |    PART   |        and push it until it just tips. Mark the line.
       \_________/         Measure from the figure's origin to that line:
    ________||________     once for forward, once for left, once for up.
            edge
"""

SWING = r"""
    =========o=========    a thin rod or two nails: the line it hangs from
             |
hung_from_mm |             Let it swing a little, 10 deg or less, and
             |             time ten whole swings, there and back.
         ( PART )          hung_from_mm: from the line to where it balances.
            <-->           The line points to the side named below.
"""

THREADS = r"""
     ======o=========o======
           |         |         two equal threads, upright
 thread_mm |         |
           |         |         Twist it a little about the upright line
         __|_________|__       midway between the threads, let go, and
        |     PART      |      time ten whole twists, there and back.
        |_______________|
            <------->  threads_apart_mm
"""

PULLS = r"""
        pull_g
    <---[scale]====o---+   Power off, horn off, figure at rest.
                   |   |   Hook a luggage scale into the part, square to the
       pull_at_mm  |   |   line from the joint, and pull until it just moves.
                   |   |   Then the other way. If it falls that way by itself,
                 (joint)   write what holds it back, with a minus.
"""

WOBBLE = r"""
     __
    /  \  <- tap           Servos on and holding. Film the head from the side
   |HEAD|  ~~~>            with a ruler behind it, tap it once, and go through
    \__/                   the film frame by frame: the frames of some whole
     ||   joint            swings, and the amplitude at the first and the last.
  ========
"""
