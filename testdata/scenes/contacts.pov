#version 3.7;
// The key contacts of a stage piano: carbon tracks on the board, rubber strip
// folded back behind them. After=0: dust, lint and a tide mark. After=1: clean.
#include "bench.inc"
#include "board.inc"
Cam(<-14, 50, -42>, <0, 1, 3>, 42, <-2, 0.5, -4>, 2.6)
Studio(75, 0.95, 0.35)
Mat(-9, <0.20, 0.34, 0.46>, 0, 0.7)
BoardStart(-70, -24, 70, 13, <0.05, 0.27, 0.13>, 61)
#declare T_Carbon = texture { pigment { srgb 0.075 } normal { granite 0.1 scale 0.4 } finish { diffuse 0.8 specular 0.18 roughness 0.07 } }
#declare T_Pill = texture { pigment { srgb (After ? <0.06,0.06,0.065> : <0.20,0.185,0.165>) } normal { granite (After ? 0.08 : 0.3) scale 0.4 } finish { diffuse 0.8 specular (After ? 0.2 : 0.04) roughness 0.07 } }
// one contact: two combs of carbon that the pill joins
#macro Contact(X, Z)
  union {
    #local k = 0;
    #while (k < 7)
      #local zz = -2.4+k*0.8;
      #local sh = (mod(k,2) ? 0.5 : -0.5);
      object { RBox(<-2.1+sh, 0.0, zz-0.22>, <2.1+sh, 0.09, zz+0.22>, 0.04) }
      #local k = k+1;
    #end
    object { RBox(<-3.0, 0, -2.7>, <-2.4, 0.09, 2.7>, 0.04) } object { RBox(<2.4, 0, -2.7>, <3.0, 0.09, 2.7>, 0.04) }
    texture { T_Carbon } translate <X, 0, Z>
  }
  cylinder { <X, 0, Z>, <X, 0.02, Z>, 4.0 T_Mask(<0.07,0.33,0.17>) }
  Keepout(X-4, Z-4, X+4, Z+4) Pad(X-3.2, Z-3.4, 0, -1) Pad(X+3.2, Z-3.4, 0, -1)
#end
#local i = 0;
#while (i < 11)
  Contact(-60+i*12, 3) Contact(-60+i*12, -7)
  C0805(-54+i*12, -16.5, 0)
  cylinder { <-54+i*12, 0.0, 9>, <-54+i*12, 0.06, 9>, 1.5 texture { T_Hole } }
  #local i = i+1;
#end
Silk(-30, -13.0, "C3", 1.4, 0) Silk(-18, -13, "C#3", 1.4, 0) Silk(-6, -13, "D3", 1.4, 0) Silk(6, -13, "D#3", 1.4, 0) Silk(18, -13, "E3", 1.4, 0) Silk(30, -13, "F3", 1.4, 0)
Route(90)
// rubber strip, face up
union {
  object { RBox(<-75, -1.5, -9>, <75, 0, 9>, 0.6) }
  #local i = 0;
  #while (i < 12)
    #local px = -66+i*12;
    #local k = 0;
    #while (k < 2)
      torus { 4.2, 0.7 scale <1, 0.5, 1> translate <px, 0, -4.6+k*9.4> }
      cylinder { <px, -1, -4.6+k*9.4>, <px, 0.9, -4.6+k*9.4>, 2.9 }
      cylinder { <px, 0.2, -4.6+k*9.4>, <px, 1.35, -4.6+k*9.4>, 2.4 texture { T_Pill } }
      #local k = k+1;
    #end
    #local i = i+1;
  #end
  texture { pigment { bozo color_map { [0 srgb (After ? <0.60,0.62,0.63> : <0.55,0.53,0.48>)] [1 srgb (After ? <0.66,0.68,0.69> : <0.62,0.60,0.55>)] } scale 10 } normal { bumps 0.06 scale 0.6 } finish { diffuse 0.8 specular 0.25 roughness 0.05 } }
  rotate <-7, 4, 0> translate <2, 2.2, 28>
}
#if (After = 0)
  // tide mark of a spilt drink
  polygon { 5, <-70, 0.11, -24>, <70, 0.11, -24>, <70, 0.11, 13>, <-70, 0.11, 13>, <-70, 0.11, -24>
    texture { pigment { spherical turbulence 0.35 octaves 4 color_map { [0 srgbt <0.40,0.28,0.12,1>] [0.16 srgbt <0.40,0.28,0.12,1>] [0.19 srgbt <0.30,0.19,0.08,0.35>] [0.24 srgbt <0.36,0.25,0.11,0.78>] [0.7 srgbt <0.45,0.33,0.16,0.86>] [1 srgbt <0.4,0.3,0.15,0.88>] } scale <24, 20, 15> translate <-7, 0, -2> }
      finish { diffuse 0.7 } }
    texture { pigment { granite turbulence 0.5 color_map { [0 srgbt <0.7,0.66,0.58,1>] [0.40 srgbt <0.6,0.57,0.5,0.98>] [0.70 srgbt <0.60,0.57,0.50,0.72>] [1 srgbt <0.64,0.60,0.54,0.72>] } scale 5 } finish { diffuse 0.7 } }
    no_shadow
  }
  #local rs = seed(21); #local i = 0;
  // dust
  #while (i < 1500)
    #local q = 0.03+pow(rand(rs),5)*0.16;
    sphere { <-34+rand(rs)*68, 0.12+q*0.5, -16+rand(rs)*26>, q texture { pigment { srgb <0.62,0.58,0.50>*(0.5+rand(rs)*0.6) } finish { diffuse 0.8 } } }
    #local i = i+1;
  #end
  // lint
  #local i = 0;
  #while (i < 46)
    #local P = array[5]; #local p = <-30+rand(rs)*60, 0.3, -12+rand(rs)*22>; #local k = 0;
    #if (mod(i,3)) #local p = <-13+rand(rs)*14, 0.3, -5+rand(rs)*9>; #end
    #while (k < 5) #local P[k] = p; #local p = p+<(rand(rs)-0.5)*4.4, (rand(rs)-0.35)*0.9, (rand(rs)-0.5)*4.4>; #local p = <p.x, max(0.2, p.y), p.z>; #local k = k+1; #end
    object { Wire(P, 5, 0.03+rand(rs)*0.03) texture { pigment { srgb (mod(i,4) ? <0.62,0.60,0.58> : <0.18,0.15,0.13>) } finish { diffuse 0.8 } } }
    #local i = i+1;
  #end
#end
