#version 3.7;
// Legs of an IC close up. After=0: solder joins two of them. After=1: parted.
#include "bench.inc"
#include "board.inc"
Cam(<-2.6, 10.5, -14>, <0.1, 0.5, -2.7>, 34, <0.2, 0.6, -3.6>, 0.9)
Studio(30, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.6)
BoardStart(-20, -16, 20, 24, <0.05, 0.27, 0.13>, 31)
Ic(0.2, 0, 0, 16, 1.27, 4.2, 1.6, "OT 4052", "2231 B")
C0805(-6, -8.6, 0) R0805(-2, -8.2, 0, "103") R0805(7.8, -7.2, 90, "472") R1206(-1, 9, 0, "103") C1206(5, 9.4, 0) Ic(-11, 9, 0, 8, 1.27, 4.2, 1.6, "H 5532", "2240")
Silk(3.6, -6.9, "U3", 0.9, 0) C0805(9.4, 1, 90) C0805(-9.4, -1, 90)
Route(60)
#if (After = 0)
  // legs 4 and 5 stand at x = -0.435 and 0.835
  blob { threshold 0.4
    cylinder { <-0.42, 0.24, -3.55>, <0.84, 0.24, -3.55>, 0.52, 1 }
    sphere { <0.2, 0.32, -3.75>, 0.66, 0.9 } sphere { <-0.42, 0.28, -3.5>, 0.66, 0.8 } sphere { <0.85, 0.28, -3.5>, 0.66, 0.8 } sphere { <0.25, 0.2, -3.15>, 0.5, 0.7 }
    texture { T_Solder } }
  sphere { <2.1, 0.14, -5.2>, 0.15 texture { T_Solder } } sphere { <-1.2, 0.11, -5.6>, 0.1 texture { T_Solder } }
#end
