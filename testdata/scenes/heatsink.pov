#version 3.7;
// A heat sink lifted off its processor. After=0: thermal compound dried to a
// crust. After=1: both faces cleaned, fresh compound spread.
#include "bench.inc"
#include "functions.inc"
#include "board.inc"
Cam(<4, 74, -66>, <17, 0, -3>, 50, <2, 3, -7>, 3)
Studio(80, 0.95, 0.35)
Mat(-6, <0.20, 0.34, 0.46>, 0, 0.8)
#declare T_Crust = texture { pigment { crackle scale 2.0 turbulence 0.2 color_map { [0 srgb <0.45,0.42,0.36>] [0.06 srgb <0.66,0.63,0.56>] [0.2 srgb <0.80,0.78,0.71>] [1 srgb <0.86,0.84,0.78>] } }
  normal { average normal_map { [1 crackle 0.8 scale 2.0 turbulence 0.2] [1 granite 0.5 scale 1.2] } } finish { diffuse 0.8 } }
#declare T_Paste = texture { pigment { srgb <0.52,0.53,0.55> } normal { bumps 0.05 scale <0.5, 1, 4> } finish { diffuse 0.65 specular 0.5 roughness 0.03 reflection { 0.02, 0.2 falloff 3 } } }
// a crust on a square of side S: thick at the rim, bald in the middle
#macro Crust(S, H, Sd)
  height_field {
    function 220, 220 {
      max(0, min(1, 0.62*f_noise3d(x*9+Sd, y*9, Sd)*1.3 + 1.9*pow(max(abs(x-0.5), abs(y-0.5))*2, 3)*0.5 - 0.10 - 0.9*pow(max(0, max(abs(x-0.5), abs(y-0.5))*2-0.9)*10, 2)
       - 0.25*f_noise3d(x*40, y*40, Sd+5)))
    }
    smooth water_level 0.22 translate <-0.5, -0.22, -0.5> scale <S, H, S>
    texture { T_Crust } }
#end
#macro Paste(S, H, Sd)
  height_field {
    function 220, 220 {
      max(0, min(1, 0.55 + 0.28*f_noise3d(x*4+Sd, y*16, Sd) + 0.12*sin(x*6+y*46+2*f_noise3d(x*5,y*5,1)) - 2.2*pow(max(0, max(abs(x-0.5), abs(y-0.5))*2-0.80+0.12*f_noise3d(x*14, y*14, 3))*4, 2)))
    }
    smooth water_level 0.15 translate <-0.5, -0.15, -0.5> scale <S, H, S>
    texture { T_Paste } }
#end
BoardStart(-50, -34, 18, 44, <0.035, 0.045, 0.05>, 91)
// processor: green carrier, nickel lid
object { RBox(<-24, 0.2, -19>, <8, 1.3, 13>, 0.2) T_Mask(<0.05, 0.24, 0.12>) }
object { RBox(<-20.5, 1.2, -15.5>, <4.5, 3.0, 9.5>, 0.7) texture { pigment { srgb <0.72,0.72,0.70> } normal { bumps 0.06 scale <3, 1, 0.2> } finish { diffuse 0.35 specular 0.5 roughness 0.05 metallic reflection { 0.22 metallic } } } }
#if (After) object { Paste(23, 0.75, 2) translate <-8, 3.0, -3> } #else object { Crust(24.5, 1.5, 3) translate <-8, 3.0, -3> } #end
#local i = 0;
#while (i < 9) C0805(-22+i*3.5, -22.5, 90) #local i = i+1; #end
#local i = 0;
#while (i < 7) C0805(-27.5, -15+i*3.6, 0) C0805(12.0, -14+i*3.6, 0) #local i = i+1; #end
Cap(-36, -12, 10, 3.2, 7, <0.10,0.11,0.12>, <0.62,0.50,0.80>, "470", "6.3V", 0, 0) Cap(-36, -3, 30, 3.2, 7, <0.10,0.11,0.12>, <0.62,0.50,0.80>, "470", "6.3V", 0, 0) Cap(-36, 6, -20, 3.2, 7, <0.10,0.11,0.12>, <0.62,0.50,0.80>, "470", "6.3V", 0, 0)
MountHole(-34, -24, 1.7) MountHole(-30, 22, 1.7) MountHole(14, 22, 1.7) Header(-8, 26, 0, 8) Ic(-8, -29, 0, 20, 1.27, 4.2, 1.6, "H 25 128", "2308") Silk(-30, -28.5, "OSTRAVA TIDE", 1.5, 0) Silk(6, 16.2, "U1", 1.8, 0)
Keepout(-25, -20, 9, 14)
Route(90)
// the heat sink, face up on the mat
union {
  union {
    object { RBox(<-17, 0, -17>, <17, 4, 17>, 0.3) }
    #local i = 0;
    #while (i < 10) object { RBox(<-17+i*3.64, -17, -17>, <-15.8+i*3.64, 0.5, 17>, 0.3) } #local i = i+1; #end
    texture { pigment { srgb <0.66,0.67,0.69> } normal { bumps 0.05 scale <0.2, 4, 6> } finish { diffuse 0.42 specular 0.5 roughness 0.05 metallic reflection { 0.16 metallic } } }
  }
  #if (After = 0) object { Crust(25.5, 1.5, 11) translate <0, 4.0, 0> } #else
    box { <-12.5, 3.99, -12.5>, <12.5, 4.02, 12.5> texture { pigment { srgb <0.74,0.75,0.77> } normal { bumps 0.04 scale <6, 1, 0.3> } finish { diffuse 0.3 specular 0.6 roughness 0.03 metallic reflection { 0.35 metallic } } } } #end
  rotate <-16, -16, 4> translate <43, 8, -6>
}
