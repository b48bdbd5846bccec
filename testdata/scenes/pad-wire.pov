#version 3.7;
// A pad torn off the board, and the thin enamelled wire somebody added.
#include "bench.inc"
#include "board.inc"
Cam(<4, 25, -24>, <0.6, 0.2, -0.4>, 36, <-0.2, 0.9, -1.5>, 1.7)
Studio(45, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.6)
BoardStart(-30, -26, 30, 34, <0.05, 0.27, 0.13>, 77)
Keepout(4.0, -7.0, 9.5, -3.0)
Ic(-2, 4.2, 0, 16, 1.27, 4.2, 1.6, "OT 4052", "2231 B")
R1206(-8, -5.5, 0, "472") R1206(-1.4, -5.5, 0, "103") C0805(-7, -9, 0) R0805(0, -9, 0, "220") C1206(-14, -2, 90) C1206(-14, 5, 90) R0805(12.5, 1, 90, "101") R0805(12.5, 5, 90, "101")
Ic(15, -7, 90, 8, 1.27, 4.2, 1.6, "H 5532", "2240")
Cap(12, 15, 0, 4, 10, <0.10,0.11,0.12>, <0.72,0.72,0.70>, "220uF", "35V", 0, 0)
Silk(-10.8, -7.4, "R8", 1.0, 0) Silk(-1.4, -7.3, "R9", 1.0, 0) Silk(6.6, -2.3, "R10", 1.0, 0) Silk(6, 7.3, "U3", 1.2, 0)
Route(80)
// where R10 sat: one pad still there, one gone
object { RBox(<7.7, 0, -5.9>, <9.1, 0.14, -4.1>, 0.06) texture { T_Solder } }
intersection { sphere { 0, 1 scale <0.65, 0.3, 0.8> translate <8.4, 0.1, -5> } plane { -y, 0 } texture { T_Solder } }
box { <4.3, 0.005, -5.9>, <5.75, 0.028, -4.1> texture { pigment { granite color_map { [0 srgb <0.62,0.57,0.36>] [1 srgb <0.80,0.76,0.54>] } scale 1.1 } normal { bumps 0.5 scale 0.25 } finish { diffuse 0.7 } } }
// the foil, curled up
#local i = 0;
#while (i < 14)
  #local t0 = i/14; #local t1 = (i+1)/14;
  #local a = <4.2-1.1*t0*0+sin(t0*2.0)*1.35, 0.04+(1-cos(t0*2.0))*1.0, 0>; #local b = <4.2+sin(t1*2.0)*1.35, 0.04+(1-cos(t1*2.0))*1.0, 0>;
  #local L = vlength(b-a);
  box { <-0.01, -0.02, -0.78>, <L+0.01, 0.02, 0.78> rotate z*degrees(atan2(b.y-a.y, b.x-a.x)) rotate y*-4 translate a-z*5.0
    texture { pigment { gradient y color_map { [0 srgb <0.83,0.48,0.30>] [1 srgb <0.80,0.62,0.50>] } scale 3 } normal { bumps 0.2 scale 0.3 } finish { diffuse 0.5 specular 0.6 roughness 0.03 metallic reflection { 0.22 metallic } } } }
  #local i = i+1;
#end
// the wire, from the leg of U3 over to the far resistor, and its two blobs
#local T_Enamel = texture { pigment { srgb <0.74, 0.24, 0.10> } finish { diffuse 0.55 specular 0.8 roughness 0.01 reflection { 0.05, 0.35 falloff 3 } } }
#local P = array[8] { <0.0, 0.35, 0.55>, <0.15, 0.75, -0.9>, <1.0, 1.35, -2.6>, <3.2, 1.7, -2.3>, <6.0, 1.5, -1.2>, <8.3, 1.1, -1.4>, <9.2, 0.75, -3.2>, <8.5, 0.38, -4.7> }
object { Wire(P, 8, 0.13) texture { T_Enamel } }
#local B1 = array[3] { <-0.3, 0.3, 0.75>, <0.0, 0.38, 0.4>, <0.12, 0.62, -0.45> }
object { Wire(B1, 3, 0.135) texture { T_Copper } }
blob { threshold 0.4 sphere { <-0.09, 0.25, 0.75>, 0.62, 1 } sphere { <0.02, 0.3, 0.3>, 0.6, 1 } sphere { <-0.15, 0.35, 1.1>, 0.5, 0.8 } sphere { <0.3, 0.15, 0.4>, 0.5, 0.7 } texture { T_Solder } }
blob { threshold 0.4 sphere { <8.4, 0.25, -4.9>, 1.0, 1 } sphere { <8.6, 0.4, -4.5>, 0.6, 0.8 } sphere { <8.1, 0.2, -5.3>, 0.8, 0.8 } texture { T_Solder } }
// a little flux left at each end
blob { threshold 0.5 sphere { 0, 1.6, 1 scale <1.2,0.16,1> translate <0.3, 0.04, -0.5> } sphere { 0, 1.3, 1 scale <1,0.16,1.3> translate <-0.8, 0.04, -0.2> } material { M_Flux } }
blob { threshold 0.5 sphere { 0, 1.9, 1 scale <1.2,0.16,1> translate <9.4, 0.04, -5.4> } sphere { 0, 1.5, 1 scale <1,0.16,1.3> translate <7.6, 0.04, -6.2> } material { M_Flux } }
