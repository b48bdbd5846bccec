#version 3.7;
// A supply's output capacitors. After=0: the middle one bulges and has leaked.
// After=1: new capacitors in its place and its neighbour's.
#include "bench.inc"
#include "board.inc"
Cam(<-8, 42, -46>, <0.6, 8.5, 0.5>, 34, <-0.5, 16, -3>, 3.0)
Studio(70, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.6)
BoardStart(-44, -30, 44, 40, <0.05, 0.27, 0.13>, 23)
#if (After)
  Cap(0, 0, 6, 5, 16, <0.13,0.10,0.08>, <0.86,0.72,0.34>, "1000uF", "35V 105C", 0, 0)
  Cap(-12, 0.5, -8, 5, 16, <0.13,0.10,0.08>, <0.86,0.72,0.34>, "1000uF", "35V 105C", 0, 0)
#else
  Cap(0, 0, -5, 5, 16, <0.07,0.12,0.30>, <0.78,0.79,0.80>, "1000uF", "25V  85C", 1.45, 1)
  Cap(-12, 0.5, 4, 5, 16, <0.07,0.12,0.30>, <0.78,0.79,0.80>, "1000uF", "25V  85C", 0.7, 0)
#end
Cap(12, 0, 4, 5, 16, <0.07,0.12,0.30>, <0.78,0.79,0.80>, "470uF", "50V  85C", 0, 0)
Cap(23, 10, 40, 3.2, 10, <0.07,0.12,0.30>, <0.78,0.79,0.80>, "100uF", "35V", 0, 0)
// choke
union {
  #local i = 0;
  #while (i < 24) torus { 2.3, 0.55 scale <1,1,1> rotate x*90 rotate z*90 translate x*-6.2 rotate y*i*15 texture { T_Copper } } #local i = i+1; #end
  torus { 6.2, 1.9 T_Plastic(<0.75,0.72,0.15>, 0.4) }
  translate <6, 3.1, 21>
}
Keepout(-4, 11, 16, 30)
Header(-22, 18, 0, 4)
R1206(-4, -9.5, 0, "R22") R1206(2.4, -9.5, 0, "472") C1206(9, -9.6, 0) R0805(15, -9.5, 0, "103") R0805(19.2, -9.5, 0, "103") C0805(-10.5, -9.5, 0) R0805(-15, -9.5, 0, "1R0")
Ic(22, -3, 90, 8, 1.27, 4.2, 1.6, "OT 494", "2212")
C1206(-20, 3, 90) C1206(-23.2, 3, 90) R1206(-20, -4, 90, "0R1")
Silk(0, -6.7, "C7", 1.3, 0) Silk(12, -6.7, "C8", 1.3, 0) Silk(17.6, -6.6, "C9", 1.3, 0) Silk(-12, -6.7, "C6", 1.3, 0) Silk(-6, 8.5, "+", 1.8, 0)
Route(80)
#if (After = 0)
  // dried electrolyte round the foot
  cylinder { <0, 0.03, 0>, <0, 0.06, 0>, 16
    texture { pigment { spherical turbulence 0.4 color_map { [0 srgbt <0.4,0.26,0.1,1>] [0.20 srgbt <0.40,0.26,0.1,1>] [0.30 srgbt <0.42,0.28,0.10,0.35>] [0.5 srgbt <0.30,0.18,0.06,0.35>] [1 srgbt <0.3,0.2,0.1,0.4>] } scale 9 }
      finish { diffuse 0.6 } } translate <0.8, 0, -1.5> no_shadow }
#end
