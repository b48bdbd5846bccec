#version 3.7;
// The solder side under a connector. After=0: one joint has a crack round its
// pin. After=1: soldered afresh.
#include "bench.inc"
#include "board.inc"
Cam(<-3.4, 15.5, -14.5>, <0.1, 0.3, -0.3>, 33, <0, 0.6, -1.0>, 1.0)
Studio(30, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.6)
BoardStart(-22, -18, 22, 26, <0.05, 0.27, 0.13>, 64)
#local i = 0;
#while (i < 6)
  #local px = (i-2)*3.96;
  #local bad = (i = 2 ? 1 : 0);
  Keepout(px-2, -2, px+2, 2)
  Pad(px, -1.6, 0, -1) Pad(px, 1.6, 0, 1)
  cylinder { <px, 0.0, 0>, <px, 0.05, 0>, 1.55 texture { T_Solder } }
  #if (bad & After = 0)
    difference {
      object { Joint(1.4, 1.15, 0.45) translate x*px texture { T_SolderDull } }
      union {
        torus { 0.60, 0.085 scale <1.03, 2.6, 0.98> rotate <4, 0, 3> translate <px+0.02, 0.78, -0.02> }
        torus { 0.66, 0.05 scale <0.99, 4, 1.02> rotate <-3, 0, 2> translate <px-0.02, 0.75, 0> }
        texture { pigment { granite color_map { [0 srgb 0.015] [1 srgb 0.07] } scale 0.2 } normal { granite 0.6 scale 0.2 } finish { diffuse 0.5 } } }
    }
    // the pin leans in its crater
    object { RBox(<-0.38, -0.5, -0.38>, <0.38, 1.62, 0.38>, 0.12) rotate <2, 18, -3.5> translate <px+0.03, 0, 0> texture { T_Tin } }
    // dark ring of old flux
    cylinder { <px, 0.03, 0>, <px, 0.045, 0>, 5.5 texture { pigment { cylindrical turbulence 0.15 color_map { [0 srgbt <0.35,0.22,0.08,1>] [0.15 srgbt <0.35,0.22,0.08,0.7>] [0.5 srgbt <0.28,0.16,0.05,0.45>] [1 srgbt <0.2,0.12,0.05,0.5>] } scale 2.9 translate x*px } finish { diffuse 0.6 } } no_shadow }
  #else
    object { Joint(1.42, 1.25+0.1*sin(i*4), 0.45) rotate y*i*70 translate x*px texture { T_Solder } }
    object { RBox(<-0.38, 0, -0.38>, <0.38, 1.72, 0.38>, 0.14) rotate y*(i*7) translate x*px texture { T_Tin } }
  #end
  #local i = i+1;
#end
SilkBox(-10.6, -2.6, 14.6, 2.7)
Silk(-12.2, 0, "1", 1.3, 0) Silk(1.6, -4.0, "J4", 1.2, 0)
R1206(-6, -9, 0, "R22") C1206(1, -8.6, 0) R0805(6.6, -8, 90, "103") C0805(-2, 9.6, 0) R1206(5, 9.6, 0, "472") R1206(-9, 9.6, 0, "472") Ic(13, 12, 0, 8, 1.27, 4.2, 1.6, "H 5532", "2240")
Route(50)
