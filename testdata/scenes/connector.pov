#version 3.7;
// A battery connector. After=0: green and white growth on its pins. After=1:
// the same one cleaned.
#include "bench.inc"
#include "board.inc"
Cam(<-6, 25, -22>, <0, 1.8, 0>, 38, <-0.5, 4.5, -1.2>, 1.7)
Studio(50, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.6)
BoardStart(-30, -22, 30, 32, <0.05, 0.27, 0.13>, 17)
#declare NP = 5;
// open shell: back wall, floor and two cheeks, so that the pins are seen
union {
  object { RBox(<-8.6, 0.1, -2.9>, <8.6, 2.0, 2.9>, 0.25) }
  object { RBox(<-8.6, 0.1, 2.0>, <8.6, 6.6, 2.9>, 0.25) }
  object { RBox(<-8.6, 0.1, -2.9>, <-7.6, 5.2, 2.9>, 0.25) } object { RBox(<7.6, 0.1, -2.9>, <8.6, 5.2, 2.9>, 0.25) }
  object { RBox(<-8.6, 0.1, -2.9>, <8.6, 2.9, -2.1>, 0.25) }
  #if (After) T_Plastic(<0.86,0.84,0.78>, 0.25) #else
    texture { pigment { srgb <0.84,0.81,0.73> } normal { bumps 0.12 scale 0.25 } finish { diffuse 0.78 specular 0.18 roughness 0.06 } }
    texture { pigment { bozo turbulence 0.6 color_map { [0 srgbt <0.30,0.55,0.45,1>] [0.50 srgbt <0.30,0.55,0.45,1>] [0.66 srgbt <0.34,0.60,0.50,0.55>] [1 srgbt <0.45,0.72,0.62,0.35>] } scale 4 translate <3, 0, 1> } finish { diffuse 0.7 } }
  #end
}
#local i = 0;
#while (i < NP)
  #local px = (i-(NP-1)/2)*2.8;
  object { RBox(<px-0.42, 0, -0.42>, <px+0.42, 6.0, 0.42>, 0.16)
    #if (After) texture { T_Tin } #else
      texture { pigment { granite color_map { [0 srgb <0.42,0.40,0.34>] [1 srgb <0.60,0.56,0.48>] } scale 1.5 } normal { granite 0.4 scale 0.6 } finish { diffuse 0.6 specular 0.2 roughness 0.08 } }
    #end }
  #local i = i+1;
#end
Keepout(-9.2, -3.4, 9.2, 3.4)
#local i = 0; #while (i < NP) Pad((i-2)*2.8, -3.2, 0, -1) #local i = i+1; #end
R1206(-12.5, -4, 90, "R22") C1206(12.6, -3, 90) C1206(15.6, -3, 90) R0805(-6, -9, 0, "103") R0805(-1.6, -9, 0, "103") C0805(3, -9, 0)
Cap(-13, 8, 0, 4, 10, <0.10,0.11,0.12>, <0.72,0.72,0.70>, "220uF", "35V", 0, 0) Ic(3, 11, 0, 16, 1.27, 4.2, 1.6, "OT 494", "2212") R1206(16, 8, 0, "0R1") C0805(16, 11, 0)
Silk(-11.2, 1.4, "+", 1.8, 0) Silk(11, 2.6, "J7", 1.2, 0)
Route(70)
#if (After = 0)
  #macro Growth(N, CX, CY, CZ, SX, SY, SZ, Sd)
    blob { threshold 0.5
      #local rs = seed(Sd); #local k = 0;
      #while (k < N)
        #local vv = <rand(rs)+rand(rs)+rand(rs)-1.5, pow(rand(rs), 1.7), rand(rs)+rand(rs)+rand(rs)-1.5>*<0.8,1,0.8>;
        sphere { <CX+vv.x*SX, CY+vv.y*SY, CZ+vv.z*SZ>, 0.17+pow(rand(rs),3)*0.34, 0.9 }
        #local k = k+1;
      #end
      texture { pigment { bozo turbulence 0.8 color_map { [0 srgb <0.14,0.42,0.36>] [0.25 srgb <0.36,0.62,0.53>] [0.45 srgb <0.70,0.82,0.75>] [1 srgb <0.92,0.93,0.89>] } scale 1.3 }
        normal { granite 0.8 scale 0.35 } finish { diffuse 0.8 specular 0.06 roughness 0.1 } }
    }
  #end
  Growth(520, -2.8, 1.9, 0, 1.5, 3.6, 1.3, 4)
  Growth(800, -5.6, 1.9, -0.2, 1.5, 4.4, 1.5, 7)
  Growth(220, 0, 1.9, 0.1, 1.2, 2.0, 1.2, 8)
  Growth(70, 2.8, 1.9, 0.1, 0.9, 0.8, 0.9, 12)
  Growth(200, -4.5, 2.5, -2.5, 2.6, 0.5, 0.6, 15)
  Growth(240, -5.5, 0, -4.0, 2.6, 0.35, 1.1, 19)
  cylinder { <0, 0.03, 0>, <0, 0.05, 0>, 16
    texture { pigment { spherical turbulence 0.5 octaves 5 color_map { [0 srgbt <0.40,0.66,0.58,1>] [0.22 srgbt <0.40,0.66,0.58,1>] [0.30 srgbt <0.56,0.72,0.66,0.72>] [0.34 srgbt <0.42,0.62,0.56,0.86>] [1 srgbt <0.60,0.76,0.70,0.6>] } scale 7 }
      finish { diffuse 0.7 } } translate <-5, 0, -2.6> no_shadow }
#end
