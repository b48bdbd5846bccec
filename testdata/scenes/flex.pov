#version 3.7;
// A flat cable to a scanner's lamp board. After=0: torn half through at the
// connector. After=1: its replacement in place.
#include "bench.inc"
#include "board.inc"
Cam(<-9, 40, -40>, <1, 2, 0>, 36, <-2, 4, -6>, 2.6)
Studio(70, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.7)
// A strip of width 2*HW along z following (y, z) = curve(s); cut(u, piece) gives where it ends.
#declare HW = 9;
#declare T_Ffc = texture { pigment { gradient x color_map { [0 srgb <0.90,0.90,0.88>] [0.55 srgb <0.90,0.90,0.88>] [0.58 srgb <0.74,0.74,0.75>] [0.97 srgb <0.76,0.76,0.77>] [1 srgb <0.90,0.90,0.88>] } scale 1.0 translate x*0.3 }
  normal { gradient x 0.12 sine_wave scale 1.0 } finish { diffuse 0.75 specular 0.5 roughness 0.012 reflection { 0.015, 0.25 falloff 3 } } }
#declare T_Tongue = texture { pigment { gradient x color_map { [0 srgb <0.86,0.86,0.84>] [0.45 srgb <0.86,0.86,0.84>] [0.47 srgb <0.80,0.77,0.68>] [0.98 srgb <0.84,0.82,0.74>] [1 srgb <0.86,0.86,0.84>] } scale 1.0 translate x*0.3 }
  finish { diffuse 0.45 specular 0.7 roughness 0.02 metallic reflection { 0.2 metallic } } }
#macro Strip(S0, S1, Jag0, Jag1, T)
  #local NU = 46; #local NV = 60; 
  mesh {
    #local a = 0;
    #while (a < NV)
      #local b = 0;
      #while (b < NU)
        #local u0 = -1+2*b/NU; #local u1 = -1+2*(b+1)/NU;
        StripAt(u0, S0+Jag0*Tear(u0)+(S1+Jag1*Tear(u0)-S0-Jag0*Tear(u0))*a/NV) #local A = SP;
        StripAt(u1, S0+Jag0*Tear(u1)+(S1+Jag1*Tear(u1)-S0-Jag0*Tear(u1))*a/NV) #local B = SP;
        StripAt(u1, S0+Jag0*Tear(u1)+(S1+Jag1*Tear(u1)-S0-Jag0*Tear(u1))*(a+1)/NV) #local C = SP;
        StripAt(u0, S0+Jag0*Tear(u0)+(S1+Jag1*Tear(u0)-S0-Jag0*Tear(u0))*(a+1)/NV) #local D = SP;
        triangle { A, B, C } triangle { A, C, D }
        #local b = b+1;
      #end
      #local a = a+1;
    #end
    texture { T } 
  }
#end
// ragged line across the strip: open on the left, still whole at the right end
#declare Tear = function(x) { 1.2*sin(x*5)+0.7*sin(x*17+1)+0.45*sin(x*41+2)+0.25*sin(x*90) }
#declare Open = function(x) { max(0, 0.55-x)*1.0 }
#declare Lift = 0;
// s runs in mm from the connector at z = -6 away from the viewer
#macro StripAt(U, S)
  #local ss = max(0, S); 
  #local yy = 1.7 + 6.2*(1-cos(min(ss, 40)/40*pi))/2*1.3 + 0.6*sin(ss*0.12);
  #declare SP = <U*HW, yy + Lift*Open(U)*3.4*exp(-max(0,ss-5)/7), -5.6+ss*0.93 + Lift*Open(U)*2.2*exp(-max(0,ss-5)/9)>;
#end
BoardStart(-34, -26, 34, 14, <0.04, 0.22, 0.40>, 29)
// connector
union {
  object { RBox(<-11.5, 0.1, -9>, <11.5, 3.0, -5.4>, 0.2) T_Plastic(<0.88,0.86,0.80>, 0.25) }
  object { RBox(<-12.4, 1.0, -6.6>, <12.4, 3.2, -4.6>, 0.25) T_Plastic(<0.16,0.13,0.11>, 0.25) }
  #local i = 0;
  #while (i < 18) object { RBox(<-8.5+i-0.18, 0, -10.6>, <-8.5+i+0.18, 0.3, -8.8>, 0.06) texture { T_Tin } } object { RBox(<-8.5+i-0.26, 0, -10.9>, <-8.5+i+0.26, 0.1, -9.4>, 0.04) texture { T_Solder } } #local i = i+1; #end
}
Keepout(-12.6, -11, 12.6, 0)
#local i = 0; #while (i < 18) Pad(-8.5+i, -10.9, 0, -1) #local i = i+1; #end
Ic(-22, -14, 0, 14, 1.27, 4.2, 1.6, "OT 084", "2219 A") Ic(20, -18, 0, 16, 1.27, 4.2, 1.6, "OT 4052", "2231 B") R1206(-16, -2, 90, "472") R1206(-19.4, -2, 90, "472") C1206(-23, -2, 90) C0805(16.5, -3, 90) C0805(19.2, -3, 90) R0805(22, -3, 90, "103") R0805(25, -3, 90, "103")
Silk(14.6, -8.4, "J2", 1.3, 0) Silk(-6, -20, "LAMP", 1.5, 0) MountHole(-29, -21, 1.6) MountHole(29, 8, 1.6) R0805(2, -16, 0, "220") R0805(2, -19, 0, "220") C0805(-6, -16, 0)
Route(60)
#if (After)
  object { Strip(0, 6, 0, 0, T_Tongue) translate <0,0.02,0> }
  object { Strip(3, 52, 0, 0, T_Ffc) }
#else
  object { Strip(0, 4.2, 0, 0, T_Tongue) }
  object { Strip(2.6, 6.5, 0, 1, T_Ffc) translate y*0.06 }
  #declare Lift = 1;
  object { Strip(6.8, 52, 1, 0, T_Ffc) translate y*0.08 }
  // copper ends standing out of the tear
  #local i = 0;
  #while (i < 12)
    StripAt(-0.92+i*0.112, 6.3+1*Tear(-0.92+i*0.112)) #local q = SP;
    cylinder { q+<0.1,0.08,0.3>, q+<0.1+0.3*sin(i*3), 0.2+0.5*sin(i*5), -0.9-0.5*sin(i*7)>, 0.10 texture { T_Copper } }
    #local i = i+1;
  #end
#end
